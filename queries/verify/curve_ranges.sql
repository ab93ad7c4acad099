-- question: Which pulls do not have the curve they were stored with?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with covered as (
    select
        curves.pull_no,
        min(curves.rpm) as rpm_low,
        max(curves.rpm) as rpm_high,
        count(*) <> count(distinct curves.rpm) as twice,
    from curves
    group by curves.pull_no
)

select
    pulls.pull as subject,
    'its curve does not cover the engine speeds it was stored with' as fault,
from pulls
left join covered on covered.pull_no = pulls.pull_no
where pulls.rpm_low is distinct from covered.rpm_low
    or pulls.rpm_high is distinct from covered.rpm_high
    or coalesce(covered.twice, false)
order by pulls.pull_no;
