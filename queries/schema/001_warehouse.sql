-- schema 1: the first warehouse.
-- No keys are declared: an index costs a block of its own however small its table, and is not read
-- when the warehouse is verified. One writer at a time takes its numbers from the row of counters,
-- and queries/verify/ checks what keys would.
-- Rows of samples and curves are written pull after pull, so that one pull, or the pulls of one
-- setup ingested together, lie side by side and are found by the minima and maxima of their blocks.

create table meta (
    schema_version integer not null,
    applied_at timestamp not null, -- UTC
    applied_by varchar not null -- program and version
);

-- One row: the numbers given last. Updating it is what makes two transactions at once collide.
create table counters (
    pull_no integer not null,
    amendment_no integer not null
);

insert into counters (pull_no, amendment_no)
values (0, 0);

create table engines (
    engine varchar not null,
    first_seen timestamp not null -- UTC
);

create table dynos (
    dyno varchar not null,
    first_seen timestamp not null -- UTC
);

-- A session is a stay on one dyno; dyno is null where the paperwork names none.
create table sessions (
    dyno varchar,
    session varchar not null,
    first_seen timestamp not null -- UTC
);

-- A setup belongs to one engine; relative_to names the setup it was changed from.
create table setups (
    engine varchar not null,
    setup varchar not null,
    relative_to varchar,
    changed varchar,
    first_seen timestamp not null -- UTC
);

-- The original bytes of every file; the storage engine compresses them.
create table sources (
    sha256 varchar not null,
    file varchar not null,
    size bigint not null, -- bytes
    stored_at timestamp not null, -- UTC
    data blob not null
);

-- The current state of every pull; what it was before stands in amendments.
create table pulls (
    pull_no integer not null,
    pull varchar generated always as ('P' || pull_no::varchar) virtual,
    file varchar not null,
    sha256 varchar not null,
    part integer not null, -- from 1, in file order
    first_row integer not null, -- row of the file's table, from 0
    row_count integer not null,
    engine varchar not null,
    dyno varchar,
    session varchar not null,
    setup varchar not null,
    run_order integer,
    started timestamp,
    state varchar not null check (state in ('accepted', 'excluded')),
    why varchar,
    rpm_low double, -- rpm
    rpm_high double, -- rpm
    ambient_pressure_kpa double,
    ambient_temperature_c double,
    ambient_humidity_pct double, -- relative humidity
    notes varchar,
    stored_at timestamp not null, -- UTC
    importer varchar not null -- program and version that read the file
);

-- The channel table: every known channel with the unit it is stored in.
create table channels (
    position integer not null,
    channel varchar not null,
    unit varchar not null
);

insert into channels (position, channel, unit)
values
    (0, 'time', 's'),
    (1, 'engine_speed', 'rpm'),
    (2, 'torque', 'N.m'),
    (3, 'power', 'kW'),
    (4, 'manifold_pressure', 'kPa absolute'),
    (5, 'compressor_out_pressure', 'kPa absolute'),
    (6, 'compressor_out_temperature', 'degC'),
    (7, 'charge_temperature', 'degC'),
    (8, 'cooler_medium_temperature', 'degC'),
    (9, 'lambda', '1'),
    (10, 'lambda_1', '1'),
    (11, 'lambda_2', '1'),
    (12, 'lambda_3', '1'),
    (13, 'lambda_4', '1'),
    (14, 'lambda_5', '1'),
    (15, 'lambda_6', '1'),
    (16, 'lambda_7', '1'),
    (17, 'lambda_8', '1'),
    (18, 'lambda_9', '1'),
    (19, 'lambda_10', '1'),
    (20, 'lambda_11', '1'),
    (21, 'lambda_12', '1'),
    (22, 'lambda_13', '1'),
    (23, 'lambda_14', '1'),
    (24, 'lambda_15', '1'),
    (25, 'lambda_16', '1'),
    (26, 'exhaust_temperature_1', 'degC'),
    (27, 'exhaust_temperature_2', 'degC'),
    (28, 'exhaust_temperature_3', 'degC'),
    (29, 'exhaust_temperature_4', 'degC'),
    (30, 'exhaust_temperature_5', 'degC'),
    (31, 'exhaust_temperature_6', 'degC'),
    (32, 'exhaust_temperature_7', 'degC'),
    (33, 'exhaust_temperature_8', 'degC'),
    (34, 'exhaust_temperature_9', 'degC'),
    (35, 'exhaust_temperature_10', 'degC'),
    (36, 'exhaust_temperature_11', 'degC'),
    (37, 'exhaust_temperature_12', 'degC'),
    (38, 'exhaust_temperature_13', 'degC'),
    (39, 'exhaust_temperature_14', 'degC'),
    (40, 'exhaust_temperature_15', 'degC'),
    (41, 'exhaust_temperature_16', 'degC'),
    (42, 'fuel_flow', 'kg/h'),
    (43, 'fuel_pressure', 'kPa'),
    (44, 'air_flow', 'kg/h'),
    (45, 'oil_pressure', 'kPa'),
    (46, 'oil_temperature', 'degC'),
    (47, 'coolant_temperature', 'degC'),
    (48, 'throttle', '%'),
    (49, 'ignition_advance', 'deg'),
    (50, 'ambient_pressure', 'kPa'),
    (51, 'ambient_temperature', 'degC'),
    (52, 'relative_humidity', '%');

-- A row a sample; a column a channel, added when the first pull brings that channel.
-- Read it as the view samples, which has a column for every known channel.
create table stored_samples (
    pull_no integer not null,
    sample integer not null -- from 0, in file order
);

-- A row a pull and speed of the grid; every channel as a function of engine speed.
-- Columns are added likewise; read it as the view curves.
create table stored_curves (
    pull_no integer not null,
    rpm double not null
);

-- Channels the table does not know, whole, a row a pull and channel.
create table other_channels (
    pull_no integer not null,
    channel varchar not null,
    unit varchar,
    numbers double[],
    texts varchar[] -- when the column is not numeric
);

-- What each column of a file became, and how that was decided.
create table channel_readings (
    pull_no integer not null,
    position integer not null, -- place in the pull's table; from 0, file order
    channel varchar not null,
    unit varchar,
    source varchar, -- heading in the file
    source_unit varchar,
    how varchar,
    known boolean not null,
    stored boolean not null -- false: named in the file, but not taken
);

create table attributes (
    pull_no integer not null,
    origin varchar not null check (origin in ('sheet', 'file')),
    name varchar not null,
    value varchar
);

create table findings (
    pull_no integer not null,
    finding varchar not null, -- name of the check
    severity varchar not null check (severity in ('void', 'doubtful', 'note')),
    message varchar not null
);

-- Append-only: every correction of what was stored, with what stood there before.
create table amendments (
    amendment_no integer not null,
    pull_no integer, -- null when it corrects what is known of a setup
    engine varchar, -- of the setup corrected, else null
    setup varchar, -- likewise
    field varchar not null,
    old_value varchar,
    new_value varchar,
    why varchar not null,
    who varchar not null,
    amended_at timestamp not null -- UTC
);
