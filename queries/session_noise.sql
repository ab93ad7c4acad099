-- question: Which sessions repeated best, and which worst? (pulls of one setup within the session)
-- grain: one row an engine, dyno and session with a setup pulled twice, best first
-- key: engine, dyno, session
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: least_df integer = 1 : degrees of freedom a session must have
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: first_started timestamp : local time of the shop
-- column: pulls bigint : accepted pulls of setups repeated in it
-- column: pull_df bigint : those less one a setup; with few of them the SD is hardly known
-- column: pull_sd_pct double [%] : one pull's standard deviation, pooled over setups, root mean square over rpm
with measured as (
    select
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        pulls.started,
        curves.rpm,
        ln(curves.torque) as log_torque,
    from pulls
    inner join curves on curves.pull_no = pulls.pull_no
    where pulls.state = 'accepted'
        and curves.torque > 0
        and ($engine is null or pulls.engine = $engine)
),

by_speed as (
    select
        measured.engine,
        measured.dyno,
        measured.session,
        measured.setup,
        min(measured.started) as first_started,
        count(*) as pulls,
        var_samp(measured.log_torque) as variance,
    from measured
    group by measured.engine, measured.dyno, measured.session, measured.setup, measured.rpm
    having count(*) > 1
),

by_setup as (
    select
        by_speed.engine,
        by_speed.dyno,
        by_speed.session,
        min(by_speed.first_started) as first_started,
        max(by_speed.pulls) as pulls,
        sum(by_speed.variance * (by_speed.pulls - 1)) / sum(by_speed.pulls - 1) as variance,
    from by_speed
    group by by_speed.engine, by_speed.dyno, by_speed.session, by_speed.setup
)

select
    by_setup.engine,
    by_setup.dyno,
    by_setup.session,
    min(by_setup.first_started) as first_started,
    sum(by_setup.pulls)::bigint as pulls,
    sum(by_setup.pulls - 1)::bigint as pull_df,
    100 * sqrt(sum(by_setup.variance * (by_setup.pulls - 1)) / sum(by_setup.pulls - 1))
        as pull_sd_pct,
from by_setup
group by by_setup.engine, by_setup.dyno, by_setup.session
having sum(by_setup.pulls - 1) >= $least_df
order by pull_sd_pct, by_setup.engine, by_setup.dyno, by_setup.session;
