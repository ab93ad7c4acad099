-- question: What is the peak power of each setup, and how many pulls stand behind it?
-- grain: one row an engine, dyno and setup with accepted pulls
-- key: engine, dyno, setup
-- parameter: engine varchar = null : engine label; null for every engine
-- column: engine varchar
-- column: dyno varchar
-- column: setup varchar
-- column: pulls bigint : accepted
-- column: sessions bigint : they lie in
-- column: mean_peak_kw double [kW] : mean of the pulls' peaks; the peak of a noisy curve is too high on average
-- column: sd_peak_kw double [kW] : sample standard deviation of the pulls' peaks; null for one pull
-- column: mean_peak_rpm double [rpm] : mean of the speeds they stand at
-- column: from_rpm double [rpm] : speeds that every pull of the setup reaches; peaks are looked for there
-- column: to_rpm double [rpm]
with chosen as (
    select
        pulls.pull_no,
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        max(pulls.rpm_low) over (partition by pulls.engine, pulls.dyno, pulls.setup) as from_rpm,
        min(pulls.rpm_high) over (partition by pulls.engine, pulls.dyno, pulls.setup) as to_rpm,
    from pulls
    where pulls.state = 'accepted'
        and ($engine is null or pulls.engine = $engine)
),

peaks as (
    select
        chosen.pull_no,
        max(curves.torque * curves.rpm * pi() / 30000) as peak_kw,
        arg_max(curves.rpm, curves.torque * curves.rpm) as peak_rpm,
    from chosen
    inner join curves
        on curves.pull_no = chosen.pull_no
        and curves.rpm between chosen.from_rpm and chosen.to_rpm
    where curves.torque is not null
    group by chosen.pull_no
)

select
    chosen.engine,
    chosen.dyno,
    chosen.setup,
    count(*) as pulls,
    count(distinct chosen.session) as sessions,
    avg(peaks.peak_kw) as mean_peak_kw,
    stddev_samp(peaks.peak_kw) as sd_peak_kw,
    avg(peaks.peak_rpm) as mean_peak_rpm,
    max(chosen.from_rpm) as from_rpm,
    min(chosen.to_rpm) as to_rpm,
from chosen
inner join peaks on peaks.pull_no = chosen.pull_no
group by chosen.engine, chosen.dyno, chosen.setup
order by chosen.engine, chosen.dyno, mean_peak_kw desc, chosen.setup;
