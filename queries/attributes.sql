-- question: What do sheets and files say of pulls beside the labels?
-- grain: one row a pull, place it is said in, and attribute
-- key: pull, origin, title
-- parameter: names varchar[] = null : names of attributes, small letters, _ for blanks, no unit; null for all
-- column: pull varchar
-- column: origin varchar : sheet or file; the sheet holds amended values
-- column: name varchar : the title in that form
-- column: title varchar : as written, with its unit
-- column: value varchar
with named as (
    select
        attributes.pull_no,
        attributes.origin,
        rtrim(
            regexp_extract(replace(lower(trim(attributes.name)), ' ', '_'), '^[a-z0-9_]+'), '_'
        ) as name,
        attributes.name as title,
        attributes.value,
    from attributes
)

select
    pulls.pull,
    named.origin,
    named.name,
    named.title,
    named.value,
from named
inner join pulls on pulls.pull_no = named.pull_no
where ($names is null or list_contains($names::varchar[], named.name))
order by pulls.pull_no, named.origin, named.title;
