-- question: Which numbers and names that must be unique are not?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with names as (
    select 'pull' as kind, pulls.pull as name from pulls
    union all
    select 'file and part' as kind, pulls.sha256 || ' part ' || pulls.part as name from pulls
    union all
    select 'correction' as kind, amendments.amendment_no::varchar as name from amendments
    union all
    select 'source' as kind, sources.sha256 as name from sources
    union all
    select 'engine' as kind, engines.engine as name from engines
    union all
    select 'dyno' as kind, dynos.dyno as name from dynos
    union all
    select 'setup' as kind, setups.engine || ' / ' || setups.setup as name from setups
    union all
    select 'session' as kind, coalesce(sessions.dyno, '') || ' / ' || sessions.session as name
    from sessions
),

repeated as (
    select
        names.name as subject,
        'this ' || names.kind || ' is stored twice' as fault,
    from names
    group by names.kind, names.name
    having count(*) > 1
),

ahead as (
    select
        'counters' as subject,
        'numbers are in use that were not given yet' as fault,
    from counters
    where counters.pull_no < (select coalesce(max(pulls.pull_no), 0) from pulls)
        or counters.amendment_no
            < (select coalesce(max(amendments.amendment_no), 0) from amendments)
)

select
    repeated.subject,
    repeated.fault,
from repeated
union all
select
    ahead.subject,
    ahead.fault,
from ahead
order by subject, fault;
