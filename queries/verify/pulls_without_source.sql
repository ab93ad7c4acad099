-- question: Which pulls have lost the file they came from?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
select
    pulls.pull as subject,
    'the file it came from, ' || pulls.file || ', is not stored' as fault,
from pulls
where pulls.sha256 not in (select sources.sha256 from sources)
order by pulls.pull_no;
