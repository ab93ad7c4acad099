-- question: How do the pulls of a setup in a session vary together over engine speed, in sums that can be merged?
-- grain: one row a dyno and pair of grid speeds, the second not below the first
-- key: dyno, rpm, other_rpm
-- parameter: engine varchar : engine label
-- parameter: dyno varchar = null : dyno label; null for every dyno
-- parameter: step double = 50 : only speeds that are multiples of this, rpm
-- column: dyno varchar
-- column: rpm double [rpm]
-- column: other_rpm double [rpm]
-- column: pulls bigint : accepted pulls, of setups repeated in a session, that reach both speeds
-- column: df bigint : those less one a setup and session; cross_product over it is the covariance
-- column: cross_product double : of deviations of log torque from the mean of setup and session
with measured as (
    select
        pulls.pull_no,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        curves.rpm,
        ln(curves.torque) as log_torque,
    from pulls
    inner join curves on curves.pull_no = pulls.pull_no
    where pulls.state = 'accepted'
        and pulls.engine = $engine
        and ($dyno is null or pulls.dyno = $dyno)
        and curves.torque > 0
        and curves.rpm % $step = 0
),

groups as (
    select
        one.dyno,
        one.rpm,
        other.rpm as other_rpm,
        count(*) as pulls,
        covar_pop(one.log_torque, other.log_torque) * count(*) as cross_product,
    from measured as one
    inner join measured as other
        on other.pull_no = one.pull_no
        and other.rpm >= one.rpm
    group by one.dyno, one.session, one.setup, one.rpm, other.rpm
    having count(*) > 1
)

select
    groups.dyno,
    groups.rpm,
    groups.other_rpm,
    sum(groups.pulls)::bigint as pulls,
    sum(groups.pulls - 1)::bigint as df,
    sum(groups.cross_product) as cross_product,
from groups
group by groups.dyno, groups.rpm, groups.other_rpm
order by groups.dyno, groups.rpm, groups.other_rpm;
