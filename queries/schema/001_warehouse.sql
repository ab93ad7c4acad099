-- schema 1: the first warehouse.
-- Channel columns carry the names and units of the channel table; what is missing is null.
-- Rows of samples and curves are written pull after pull, so that one pull, or the pulls of one
-- setup ingested together, lie side by side and are found by the minima and maxima of their blocks.

create table meta (
    schema_version integer not null,
    applied_at timestamp not null, -- UTC
    applied_by varchar not null -- program and version
);

create table engines (
    engine varchar primary key,
    first_seen timestamp not null -- UTC
);

create table dynos (
    dyno varchar primary key,
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
    first_seen timestamp not null, -- UTC
    primary key (engine, setup)
);

-- The original bytes of every file; the storage engine compresses them.
create table sources (
    sha256 varchar primary key,
    file varchar not null,
    size bigint not null, -- bytes
    stored_at timestamp not null, -- UTC
    data blob not null using compression zstd
);

-- The current state of every pull; what it was before stands in amendments.
create table pulls (
    pull_no integer primary key,
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
    importer varchar not null, -- program and version that read the file
    unique (sha256, part)
);

create table samples (
    pull_no integer not null,
    sample integer not null, -- from 0, in file order
    time double, -- s
    engine_speed double, -- rpm
    torque double, -- N.m
    power double, -- kW
    manifold_pressure double, -- kPa absolute
    compressor_out_pressure double, -- kPa absolute
    compressor_out_temperature double, -- degC
    charge_temperature double, -- degC
    cooler_medium_temperature double, -- degC
    "lambda" double, -- 1
    lambda_1 double, -- 1
    lambda_2 double, -- 1
    lambda_3 double, -- 1
    lambda_4 double, -- 1
    lambda_5 double, -- 1
    lambda_6 double, -- 1
    lambda_7 double, -- 1
    lambda_8 double, -- 1
    lambda_9 double, -- 1
    lambda_10 double, -- 1
    lambda_11 double, -- 1
    lambda_12 double, -- 1
    lambda_13 double, -- 1
    lambda_14 double, -- 1
    lambda_15 double, -- 1
    lambda_16 double, -- 1
    exhaust_temperature_1 double, -- degC
    exhaust_temperature_2 double, -- degC
    exhaust_temperature_3 double, -- degC
    exhaust_temperature_4 double, -- degC
    exhaust_temperature_5 double, -- degC
    exhaust_temperature_6 double, -- degC
    exhaust_temperature_7 double, -- degC
    exhaust_temperature_8 double, -- degC
    exhaust_temperature_9 double, -- degC
    exhaust_temperature_10 double, -- degC
    exhaust_temperature_11 double, -- degC
    exhaust_temperature_12 double, -- degC
    exhaust_temperature_13 double, -- degC
    exhaust_temperature_14 double, -- degC
    exhaust_temperature_15 double, -- degC
    exhaust_temperature_16 double, -- degC
    fuel_flow double, -- kg/h
    fuel_pressure double, -- kPa
    air_flow double, -- kg/h
    oil_pressure double, -- kPa
    oil_temperature double, -- degC
    coolant_temperature double, -- degC
    throttle double, -- %
    ignition_advance double, -- deg
    ambient_pressure double, -- kPa
    ambient_temperature double, -- degC
    relative_humidity double -- %
);

-- A row a pull and speed of the grid; every channel as a function of engine speed.
create table curves (
    pull_no integer not null,
    rpm double not null,
    time double, -- s
    torque double, -- N.m
    power double, -- kW
    manifold_pressure double, -- kPa absolute
    compressor_out_pressure double, -- kPa absolute
    compressor_out_temperature double, -- degC
    charge_temperature double, -- degC
    cooler_medium_temperature double, -- degC
    "lambda" double, -- 1
    lambda_1 double, -- 1
    lambda_2 double, -- 1
    lambda_3 double, -- 1
    lambda_4 double, -- 1
    lambda_5 double, -- 1
    lambda_6 double, -- 1
    lambda_7 double, -- 1
    lambda_8 double, -- 1
    lambda_9 double, -- 1
    lambda_10 double, -- 1
    lambda_11 double, -- 1
    lambda_12 double, -- 1
    lambda_13 double, -- 1
    lambda_14 double, -- 1
    lambda_15 double, -- 1
    lambda_16 double, -- 1
    exhaust_temperature_1 double, -- degC
    exhaust_temperature_2 double, -- degC
    exhaust_temperature_3 double, -- degC
    exhaust_temperature_4 double, -- degC
    exhaust_temperature_5 double, -- degC
    exhaust_temperature_6 double, -- degC
    exhaust_temperature_7 double, -- degC
    exhaust_temperature_8 double, -- degC
    exhaust_temperature_9 double, -- degC
    exhaust_temperature_10 double, -- degC
    exhaust_temperature_11 double, -- degC
    exhaust_temperature_12 double, -- degC
    exhaust_temperature_13 double, -- degC
    exhaust_temperature_14 double, -- degC
    exhaust_temperature_15 double, -- degC
    exhaust_temperature_16 double, -- degC
    fuel_flow double, -- kg/h
    fuel_pressure double, -- kPa
    air_flow double, -- kg/h
    oil_pressure double, -- kPa
    oil_temperature double, -- degC
    coolant_temperature double, -- degC
    throttle double, -- %
    ignition_advance double, -- deg
    ambient_pressure double, -- kPa
    ambient_temperature double, -- degC
    relative_humidity double -- %
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
    amendment_no integer primary key,
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
