-- question: Which two setups of an engine were pulled in one session, so that they can be compared?
-- grain: one row an engine and two setups with accepted pulls in a session that they share
-- key: engine, baseline, candidate
-- parameter: engine varchar = null : engine label; null for every engine
-- column: engine varchar
-- column: baseline varchar : the one that was pulled first
-- column: candidate varchar : the other
-- column: shared_sessions bigint : sessions with accepted pulls of both
-- column: last_started timestamp : last pull of the two; local time of the shop
with accepted as (
    select
        pulls.engine,
        pulls.setup,
        concat(coalesce(pulls.dyno, ''), ' / ', pulls.session) as stay,
        pulls.started,
        pulls.pull_no,
    from pulls
    where pulls.state = 'accepted'
        and ($engine is null or pulls.engine = $engine)
),

setups_seen as (
    select
        accepted.engine,
        accepted.setup,
        list(distinct accepted.stay) as stays,
        min(accepted.started) as first_started,
        max(accepted.started) as last_started,
        min(accepted.pull_no) as first_no,
    from accepted
    group by accepted.engine, accepted.setup
),

ranked as (
    select
        setups_seen.engine,
        setups_seen.setup,
        setups_seen.stays,
        setups_seen.last_started,
        row_number() over (
            partition by setups_seen.engine
            order by setups_seen.first_started nulls last, setups_seen.first_no, setups_seen.setup
        ) as place,
    from setups_seen
)

select
    earlier.engine,
    earlier.setup as baseline,
    later.setup as candidate,
    len(list_intersect(earlier.stays, later.stays)) as shared_sessions,
    greatest(earlier.last_started, later.last_started) as last_started,
from ranked as earlier
inner join ranked as later
    on later.engine = earlier.engine
    and later.place > earlier.place
where len(list_intersect(earlier.stays, later.stays)) > 0
order by earlier.engine, earlier.place, later.place;
