-- question: In which order were the pulls of a session run, and what did each give on average?
-- grain: one row a pull
-- key: pull
-- parameter: session varchar : session label
-- parameter: dyno varchar = null : dyno label; null for every dyno
-- column: pull varchar
-- column: engine varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: started timestamp : local time of the shop
-- column: state varchar : accepted or excluded
-- column: mean_torque double [N.m] : over the speeds that every pull of the session reaches
-- column: mean_power double [kW] : likewise
with session_pulls as (
    select
        pulls.pull_no,
        pulls.pull,
        pulls.engine,
        pulls.setup,
        pulls.run_order,
        pulls.started,
        pulls.state,
        max(pulls.rpm_low) over (partition by pulls.engine) as from_rpm,
        min(pulls.rpm_high) over (partition by pulls.engine) as to_rpm,
    from pulls
    where pulls.session = $session
        and ($dyno is null or pulls.dyno = $dyno)
),

means as (
    select
        session_pulls.pull_no,
        avg(curves.torque) as mean_torque,
        avg(curves.torque * curves.rpm * pi() / 30000) as mean_power,
    from session_pulls
    inner join curves
        on curves.pull_no = session_pulls.pull_no
        and curves.rpm between session_pulls.from_rpm and session_pulls.to_rpm
    group by session_pulls.pull_no
)

select
    session_pulls.pull,
    session_pulls.engine,
    session_pulls.setup,
    session_pulls.run_order as "order",
    session_pulls.started,
    session_pulls.state,
    means.mean_torque,
    means.mean_power,
from session_pulls
left join means on means.pull_no = session_pulls.pull_no
order by session_pulls.run_order nulls last, session_pulls.started, session_pulls.pull_no;
