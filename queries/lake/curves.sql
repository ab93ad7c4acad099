-- question: What is written of the curves into a lake? (the channels follow, as the channel table orders them)
-- grain: one row a pull and speed of the grid
-- column: shop varchar : key of the warehouse, part of the path; a pull's name is unique within it
-- column: dyno_key varchar : dyno in a form that any path can hold, part of the path
-- column: year bigint : year of the session's first start, of its storing where no start is known; part of the path
-- column: pull varchar : its name
-- column: engine varchar
-- column: dyno varchar : null where the paperwork names none
-- column: session varchar : a stay on the dyno; its pulls lie in one partition
-- column: setup varchar
-- column: order integer : place in the session, from 1
-- column: state varchar : accepted or excluded
-- column: rpm double [rpm] : engine speed of the grid
select
    lake_pulls.shop,
    lake_pulls.dyno_key,
    lake_pulls.year,
    lake_pulls.pull,
    lake_pulls.engine,
    lake_pulls.dyno,
    lake_pulls.session,
    lake_pulls.setup,
    lake_pulls."order",
    lake_pulls.state,
    curves.* exclude (pull_no),
from curves
inner join lake_pulls on lake_pulls.pull_no = curves.pull_no;
