-- question: What do all pulls say of each setup in each session, in numbers that can be merged?
-- grain: one row an engine, dyno, session, setup and speed of the grid
-- key: engine, dyno, session, setup, rpm
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label; null for every dyno
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: rpm double [rpm]
-- column: pulls bigint : accepted pulls that reach this speed
-- column: mean_log_torque double : mean of the natural log of torque in N.m
-- column: m2_log_torque double : sum of squared deviations from that mean
with measured as (
    select
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        curves.rpm,
        ln(curves.torque) as log_torque,
    from pulls
    inner join curves on curves.pull_no = pulls.pull_no
    where pulls.state = 'accepted'
        and curves.torque > 0
        and ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
)

select
    measured.engine,
    measured.dyno,
    measured.session,
    measured.setup,
    measured.rpm,
    count(*) as pulls,
    avg(measured.log_torque) as mean_log_torque,
    var_pop(measured.log_torque) * count(*) as m2_log_torque,
from measured
group by measured.engine, measured.dyno, measured.session, measured.setup, measured.rpm
order by measured.engine, measured.dyno, measured.session, measured.setup, measured.rpm;
