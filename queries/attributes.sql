-- question: What do sheets and files say of pulls beside the labels?
-- grain: one row a pull, place it is said in, and attribute
-- key: pull, origin, title
-- parameter: names varchar[] = null : names of attributes, small letters, _ for blanks, no unit; null for all
-- parameter: as_of timestamp = null : as it stood at that past time (UTC); null for now
-- column: pull varchar
-- column: origin varchar : sheet or file; the sheet holds amended values
-- column: name varchar : the title in that form
-- column: title varchar : as written, with its unit
-- column: value varchar
with undone as (
    -- what the sheet said before the first correction made after that time
    select
        amendments.pull_no,
        amendments.field,
        arg_min(struct_pack(old := amendments.old_value), amendments.amendment_no).old
            as old_value,
    from amendments
    where amendments.amended_at > $as_of
        and amendments.pull_no is not null
    group by amendments.pull_no, amendments.field
),

named as (
    select
        attributes.pull_no,
        attributes.origin,
        rtrim(
            regexp_extract(replace(lower(trim(attributes.name)), ' ', '_'), '^[a-z0-9_]+'), '_'
        ) as name,
        attributes.name as title,
        case when undone.field is null then attributes.value else undone.old_value end as value,
    from attributes
    left join undone
        on undone.pull_no = attributes.pull_no
            and undone.field = attributes.name
            and attributes.origin = 'sheet'
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
    and ($as_of is null or pulls.stored_at <= $as_of)
order by pulls.pull_no, named.origin, named.title;
