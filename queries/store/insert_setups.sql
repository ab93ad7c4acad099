-- question: How are setups written that were not there yet? (from the frame "incoming")
-- grain: writes one row a new engine and setup
insert into setups by name
select
    incoming.engine,
    incoming.setup,
    first(incoming.relative_to order by incoming.pull_no)
        filter (where incoming.relative_to is not null) as relative_to,
    first(incoming.changed order by incoming.pull_no)
        filter (where incoming.changed is not null) as changed,
    first(incoming.stored_at) as first_seen,
from incoming
where not exists (
    select 1
    from setups
    where setups.engine = incoming.engine
        and setups.setup = incoming.setup
)
group by incoming.engine, incoming.setup;
