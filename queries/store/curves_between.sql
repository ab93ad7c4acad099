-- question: What are the curves of all pulls from one number to another?
-- grain: one row a pull and speed of the grid, in the order they were stored in
-- parameter: first integer : number of a pull
-- parameter: last integer : number of a pull
-- column: pull_no integer : number of the pull
-- column: rpm double [rpm]
select curves.*
from curves
where curves.pull_no between $first and $last;
