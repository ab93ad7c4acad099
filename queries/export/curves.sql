-- question: What is exported of the curves? (the channels follow, as the channel table orders them)
-- grain: one row a pull and speed of the grid
-- column: pull varchar : name of the pull, P and a number
-- column: rpm double [rpm] : engine speed of the common grid
select
    'P' || curves.pull_no::varchar as pull,
    curves.* exclude (pull_no),
from curves
order by curves.pull_no, curves.rpm;
