-- question: What are the curves of a few pulls, wherever they lie?
-- grain: one row a pull and speed of the grid, in any order
-- parameter: pull_nos integer[] : numbers of the pulls
-- column: pull_no integer : number of the pull
-- column: rpm double [rpm]
select curves.*
from curves
where curves.pull_no in (select unnest($pull_nos::integer[]));
