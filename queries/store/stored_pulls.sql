-- question: Which of these pulls are stored?
-- grain: one row a stored pull
-- parameter: pull_nos integer[] : numbers of the pulls
-- column: pull_no integer
select pulls.pull_no
from pulls
where pulls.pull_no in (select unnest($pull_nos::integer[]));
