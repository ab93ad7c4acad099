-- question: What else do the sheet and the file say of one pull?
-- grain: one row an attribute
-- parameter: pull_no integer : number of the pull
-- column: origin varchar : sheet or file
-- column: name varchar
-- column: value varchar
select
    attributes.origin,
    attributes.name,
    attributes.value,
from attributes
where attributes.pull_no = $pull_no
order by attributes.origin, attributes.name;
