-- question: How fast did engine speed rise in each pull?
-- grain: one row a pull that has a clock and a curve
-- key: pull
-- parameter: pulls varchar[] = null : names of pulls; null for all
-- column: pull varchar
-- column: sweep_rate double [rpm/s] : median over the pull, each rise taken over ten samples
with rows_of_pulls as (
    select
        pulls.pull_no,
        pulls.pull,
        samples.sample,
        samples.time,
        samples.engine_speed,
    from pulls
    inner join samples on samples.pull_no = pulls.pull_no
    where pulls.rpm_low is not null
        and samples.engine_speed between pulls.rpm_low and pulls.rpm_high
        and (samples.torque is null or samples.torque > 0)
        and ($pulls is null or list_contains($pulls::varchar[], pulls.pull))
),

rises as (
    select
        rows_of_pulls.pull_no,
        rows_of_pulls.pull,
        lead(rows_of_pulls.engine_speed, 10) over in_order - rows_of_pulls.engine_speed as rise,
        lead(rows_of_pulls.time, 10) over in_order - rows_of_pulls.time as duration,
    from rows_of_pulls
    window in_order as (partition by rows_of_pulls.pull_no order by rows_of_pulls.sample)
)

select
    rises.pull,
    median(rises.rise / rises.duration) as sweep_rate,
from rises
where rises.duration > 0
group by rises.pull_no, rises.pull
order by rises.pull_no;
