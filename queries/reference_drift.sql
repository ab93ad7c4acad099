-- question: How did the torque of a setup that was pulled again and again move from session to session?
-- grain: one row a dyno and session
-- key: dyno, session
-- parameter: engine varchar : engine label
-- parameter: setup varchar : setup label
-- column: dyno varchar
-- column: session varchar
-- column: first_started timestamp : local time of the shop
-- column: pulls bigint : accepted
-- column: mean_torque double [N.m] : mean over pulls and the speeds that every pull of the setup on the dyno reaches
-- column: change_pct double [%] : from the mean of the dyno's sessions, by logs of torque
-- column: pull_sd_pct double [%] : sample standard deviation between the session's pulls; null for one pull
with chosen as (
    select
        pulls.pull_no,
        pulls.dyno,
        pulls.session,
        pulls.started,
        max(pulls.rpm_low) over (partition by pulls.dyno) as from_rpm,
        min(pulls.rpm_high) over (partition by pulls.dyno) as to_rpm,
    from pulls
    where pulls.state = 'accepted'
        and pulls.engine = $engine
        and pulls.setup = $setup
),

means as (
    select
        chosen.pull_no,
        avg(curves.torque) as torque,
        avg(ln(curves.torque)) as log_torque,
    from chosen
    inner join curves
        on curves.pull_no = chosen.pull_no
        and curves.rpm between chosen.from_rpm and chosen.to_rpm
    where curves.torque > 0
    group by chosen.pull_no
),

sessions as (
    select
        chosen.dyno,
        chosen.session,
        min(chosen.started) as first_started,
        min(chosen.pull_no) as first_no,
        count(*) as pulls,
        avg(means.torque) as mean_torque,
        avg(means.log_torque) as log_torque,
        100 * stddev_samp(means.log_torque) as pull_sd_pct,
    from chosen
    inner join means on means.pull_no = chosen.pull_no
    group by chosen.dyno, chosen.session
)

select
    sessions.dyno,
    sessions.session,
    sessions.first_started,
    sessions.pulls,
    sessions.mean_torque,
    100 * (exp(sessions.log_torque - avg(sessions.log_torque) over (partition by sessions.dyno)) - 1)
        as change_pct,
    sessions.pull_sd_pct,
from sessions
order by sessions.dyno, sessions.first_started nulls last, sessions.first_no;
