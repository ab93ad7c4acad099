-- question: What is exported of what else the sheet and the file say?
-- grain: one row a pull and attribute
-- column: pull varchar : name of the pull, P and a number
-- column: origin varchar : sheet or file
-- column: name varchar : column of the sheet, or key in the file
-- column: value varchar : what it says, as text
select
    'P' || attributes.pull_no::varchar as pull,
    attributes.origin,
    attributes.name,
    attributes.value,
from attributes
order by attributes.pull_no, attributes.origin, attributes.name;
