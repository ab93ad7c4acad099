-- question: Which pulls are excluded without a reason?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
select
    pulls.pull as subject,
    'it is excluded, but no reason is kept' as fault,
from pulls
where pulls.state = 'excluded'
    and coalesce(pulls.why, '') = ''
order by pulls.pull_no;
