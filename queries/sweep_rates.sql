-- question: How fast did the engine run through its speeds in each pull?
-- grain: one row a pull with a clock
-- key: pull
-- parameter: engine varchar = null : engine label; null for every engine
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: state varchar : accepted or excluded
-- column: from_rpm double [rpm]
-- column: to_rpm double [rpm]
-- column: seconds double [s] : from the one to the other
-- column: mean_rate_rpm_s double [rpm/s]
-- column: from_usual_pct double [%] : from the median of the engine's accepted pulls on that dyno
with timed as (
    select
        curves.pull_no,
        min(curves.rpm) as from_rpm,
        max(curves.rpm) as to_rpm,
        arg_max(curves."time", curves.rpm) - arg_min(curves."time", curves.rpm) as seconds,
    from curves
    where curves."time" is not null
    group by curves.pull_no
),

rates as (
    select
        pulls.pull_no,
        pulls.pull,
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        pulls.state,
        timed.from_rpm,
        timed.to_rpm,
        timed.seconds,
        (timed.to_rpm - timed.from_rpm) / timed.seconds as rate,
    from pulls
    inner join timed on timed.pull_no = pulls.pull_no
    where timed.seconds > 0
        and ($engine is null or pulls.engine = $engine)
)

select
    rates.pull,
    rates.engine,
    rates.dyno,
    rates.session,
    rates.setup,
    rates.state,
    rates.from_rpm,
    rates.to_rpm,
    rates.seconds,
    rates.rate as mean_rate_rpm_s,
    100 * (
        rates.rate / median(case when rates.state = 'accepted' then rates.rate end) over (
            partition by rates.engine, rates.dyno
        ) - 1
    ) as from_usual_pct,
from rates
order by rates.pull_no;
