-- question: Do later pulls of a session give more or less than the first ones, the setup being the same?
-- grain: one row a dyno and place in the session
-- key: dyno, order
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: most integer = 10 : places looked at
-- column: dyno varchar
-- column: order integer : place in the session
-- column: pulls bigint : accepted pulls of setups repeated in their session
-- column: mean_change_pct double [%] : from the mean of the same setup in the same session, by logs of torque
-- column: sd_pct double [%] : sample standard deviation between those pulls; null for one pull
with chosen as (
    select
        pulls.pull_no,
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        pulls.run_order,
        max(pulls.rpm_low) over same as from_rpm,
        min(pulls.rpm_high) over same as to_rpm,
        count(*) over same as repeats,
    from pulls
    where pulls.state = 'accepted'
        and pulls.run_order is not null
        and ($engine is null or pulls.engine = $engine)
    window same as (partition by pulls.engine, pulls.dyno, pulls.session, pulls.setup)
),

means as (
    select
        chosen.pull_no,
        avg(ln(curves.torque)) as log_torque,
    from chosen
    inner join curves
        on curves.pull_no = chosen.pull_no
        and curves.rpm between chosen.from_rpm and chosen.to_rpm
    where chosen.repeats > 1
        and curves.torque > 0
    group by chosen.pull_no
),

away as (
    select
        chosen.dyno,
        chosen.run_order,
        means.log_torque - avg(means.log_torque) over (
            partition by chosen.engine, chosen.dyno, chosen.session, chosen.setup
        ) as change,
    from chosen
    inner join means on means.pull_no = chosen.pull_no
)

select
    away.dyno,
    away.run_order as "order",
    count(*) as pulls,
    100 * (exp(avg(away.change)) - 1) as mean_change_pct,
    100 * stddev_samp(away.change) as sd_pct,
from away
where away.run_order <= $most
group by away.dyno, away.run_order
order by away.dyno, away.run_order;
