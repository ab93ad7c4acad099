-- schema 4: questions declared before their pulls, and what each look at them said.
-- Rows are only ever added: a question that is declared again is a new declaration beside the old.

create table declarations (
    declaration_no integer not null,
    engine varchar not null,
    dyno varchar, -- null where the paperwork names none
    baseline varchar not null,
    candidate varchar not null,
    quantity varchar not null check (quantity in ('power', 'torque')),
    band_low double, -- rpm; null: what every pull covers
    band_high double, -- rpm; likewise
    correction varchar, -- null: what the sheets declare
    margin_pct double not null,
    alpha double not null,
    effect_pct double not null, -- that must be seen
    power double not null, -- chance of seeing it
    pulls_per_setup integer not null,
    looks integer not null,
    rule varchar not null, -- how alpha is spread over the looks
    seed integer not null, -- of the run order
    who varchar not null,
    declared_at timestamp not null -- UTC
);

-- The run sheet: every pull in the order it is to be run.
create table declared_pulls (
    declaration_no integer not null,
    place integer not null, -- from 1, over all sessions
    session varchar not null,
    role varchar not null check (role in ('warm_up', 'A', 'B', 'cool_down')),
    setup varchar not null,
    run_order integer, -- place among the session's compared pulls; null for the others
    file varchar not null,
    note varchar not null
);

-- Each look at a declared study: what was in, what could be claimed, and what was.
create table looks (
    declaration_no integer not null,
    look integer not null, -- from 1
    taken_at timestamp not null, -- UTC
    pairs integer not null, -- pairs of accepted pulls in
    information double not null, -- share of what was planned
    df double not null, -- degrees of freedom of the mean
    level double not null, -- two-sided level tested at; 0 where nothing could be claimed
    verdict varchar not null,
    decision varchar not null,
    effect_pct double,
    low_pct double, -- at that level; null where nothing could be claimed
    high_pct double
);
