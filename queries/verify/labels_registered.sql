-- question: Which pulls carry a label that is not registered?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
select
    pulls.pull as subject,
    'its engine, dyno, session or setup is not registered' as fault,
from pulls
where pulls.engine not in (select engines.engine from engines)
    or (pulls.dyno is not null and pulls.dyno not in (select dynos.dyno from dynos))
    or (pulls.engine, pulls.setup) not in (select (setups.engine, setups.setup) from setups)
    or pulls.session not in (select sessions.session from sessions)
order by pulls.pull_no;
