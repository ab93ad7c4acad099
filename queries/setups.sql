-- question: Which setups are there, what was changed in each, and how often was each pulled?
-- grain: one row an engine and setup
-- key: engine, setup
-- parameter: engine varchar = null : engine label; null for every engine
-- column: engine varchar
-- column: setup varchar
-- column: relative_to varchar : the setup it was changed from
-- column: changed varchar : what was changed
-- column: sessions bigint : sessions with an accepted pull of it
-- column: accepted bigint : pulls
-- column: excluded bigint : pulls
-- column: first_started timestamp : local time of the shop
-- column: last_started timestamp : local time of the shop
select
    setups.engine,
    setups.setup,
    setups.relative_to,
    setups.changed,
    count(distinct coalesce(pulls.dyno, '') || ' / ' || pulls.session)
        filter (where pulls.state = 'accepted') as sessions,
    count(*) filter (where pulls.state = 'accepted') as accepted,
    count(*) filter (where pulls.state = 'excluded') as excluded,
    min(pulls.started) as first_started,
    max(pulls.started) as last_started,
from setups
left join pulls
    on pulls.engine = setups.engine
    and pulls.setup = setups.setup
where $engine is null
    or setups.engine = $engine
group by setups.engine, setups.setup, setups.relative_to, setups.changed
order by setups.engine, setups.setup;
