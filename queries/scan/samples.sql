-- question: What are the samples of all pulls, with their labels? (the channels follow)
-- grain: one row a pull and sample, in the order stored
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: state varchar : accepted or excluded
-- column: sample integer : from 0, in file order
select
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.state,
    samples.* exclude (pull_no),
from samples
inner join pulls on pulls.pull_no = samples.pull_no;
