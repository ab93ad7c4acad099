-- question: Which two setups were pulled in one session, but too seldom to be compared there?
-- grain: one row an engine, dyno, session and pair of setups
-- key: engine, dyno, session, setup, other_setup
-- parameter: least integer = 3 : accepted pulls a setup should have in the session
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar : the first of the pair by name
-- column: other_setup varchar
-- column: pulls bigint : accepted pulls of the first
-- column: other_pulls bigint : accepted pulls of the other
with counted as (
    select
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        count(*) as pulls,
    from pulls
    where pulls.state = 'accepted'
    group by pulls.engine, pulls.dyno, pulls.session, pulls.setup
)

select
    counted.engine,
    counted.dyno,
    counted.session,
    counted.setup,
    other.setup as other_setup,
    counted.pulls,
    other.pulls as other_pulls,
from counted
inner join counted as other
    on other.engine = counted.engine
    and other.dyno is not distinct from counted.dyno
    and other.session = counted.session
    and other.setup > counted.setup
where least(counted.pulls, other.pulls) < $least
order by counted.engine, counted.dyno, counted.session, counted.setup, other.setup;
