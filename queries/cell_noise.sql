-- question: How noisy is each dyno, year by year? (pulls repeated in one session, same setup)
-- grain: one row a dyno and year
-- key: dyno, year
-- column: dyno varchar
-- column: year bigint : of the pulls' start; of their storing where no start is known
-- column: groups bigint : setups repeated within a session
-- column: pulls bigint : accepted pulls in those groups
-- column: pull_df bigint : degrees of freedom behind the noise
-- column: pull_sd_pct double [%] : one pull's standard deviation, root mean square over rpm
with measured as (
    select
        pulls.dyno,
        year(coalesce(pulls.started, pulls.stored_at)) as year,
        pulls.engine,
        pulls.session,
        pulls.setup,
        pulls.pull_no,
        curves.rpm,
        ln(curves.torque) as log_torque,
    from pulls
    inner join curves on curves.pull_no = pulls.pull_no
    where pulls.state = 'accepted'
        and curves.torque > 0
),

repeated as (
    select
        measured.dyno,
        measured.year,
        measured.engine,
        measured.session,
        measured.setup,
        measured.rpm,
        count(*) as pulls,
        var_samp(measured.log_torque) as variance,
    from measured
    group by
        measured.dyno,
        measured.year,
        measured.engine,
        measured.session,
        measured.setup,
        measured.rpm
    having count(*) > 1
),

groups as (
    select
        repeated.dyno,
        repeated.year,
        max(repeated.pulls) as pulls,
        avg(repeated.variance) as variance,
    from repeated
    group by
        repeated.dyno, repeated.year, repeated.engine, repeated.session, repeated.setup
)

select
    groups.dyno,
    groups.year,
    count(*) as groups,
    sum(groups.pulls)::bigint as pulls,
    sum(groups.pulls - 1)::bigint as pull_df,
    100 * sqrt(sum(groups.variance * (groups.pulls - 1)) / sum(groups.pulls - 1)) as pull_sd_pct,
from groups
group by groups.dyno, groups.year
order by groups.dyno, groups.year;
