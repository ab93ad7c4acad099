-- schema 3: what was done to the cells: calibrations, services, repairs.
-- Append-only: a wrong entry stays, and a later one of the kind 'withdrawal' takes it back.

create table cell_events (
    event_no integer not null,
    dyno varchar, -- null where the paperwork names none
    kind varchar not null
        check (kind in ('calibration', 'service', 'repair', 'other', 'withdrawal')),
    happened_at timestamp not null, -- local time of the shop
    what varchar not null,
    who varchar not null,
    noted_at timestamp not null, -- UTC
    withdraws integer -- number of the event a withdrawal takes back, else null
);

-- The number given last, beside those of pulls and corrections.
alter table counters add column event_no integer default 0;
