-- question: What is exported of what else the sheet and the file say?
-- grain: one row a pull and attribute
-- column: pull varchar
-- column: origin varchar : sheet or file
-- column: name varchar
-- column: value varchar
select
    'P' || attributes.pull_no::varchar as pull,
    attributes.origin,
    attributes.name,
    attributes.value,
from attributes
order by attributes.pull_no, attributes.origin, attributes.name;
