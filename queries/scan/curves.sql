-- question: What are the curves of all pulls, with their labels? (the channels follow)
-- grain: one row a pull and speed of the grid, in the order stored
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: state varchar : accepted or excluded
-- column: rpm double [rpm]
select
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.state,
    curves.* exclude (pull_no),
from curves
inner join pulls on pulls.pull_no = curves.pull_no;
