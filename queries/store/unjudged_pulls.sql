-- question: Which pulls were not yet held against the rest of their session?
-- grain: one row a pull, in order
-- column: pull varchar
select pulls.pull
from pulls
where pulls.pull_no > (select counters.judged_pull_no from counters)
order by pulls.pull_no;
