-- question: Which declared questions are not whole?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with numbered as (
    select
        declarations.declaration_no,
        'it is stored twice' as fault,
    from declarations
    group by declarations.declaration_no
    having count(*) > 1
),

without_sheet as (
    select
        declarations.declaration_no,
        'its run sheet is missing' as fault,
    from declarations
    where declarations.declaration_no
        not in (select declared_pulls.declaration_no from declared_pulls)
),

orphans as (
    select distinct
        places.declaration_no,
        'the ' || places.place || ' hold rows of it, but it was never declared' as fault,
    from (
        select 'run sheets' as place, declared_pulls.declaration_no from declared_pulls
        union all
        select 'looks' as place, looks.declaration_no from looks
    ) as places
    where places.declaration_no not in (select declarations.declaration_no from declarations)
),

looked_twice as (
    select
        looks.declaration_no,
        'look ' || looks.look || ' is stored twice' as fault,
    from looks
    group by looks.declaration_no, looks.look
    having count(*) > 1
),

every_fault as (
    select numbered.declaration_no, numbered.fault from numbered
    union all
    select without_sheet.declaration_no, without_sheet.fault from without_sheet
    union all
    select orphans.declaration_no, orphans.fault from orphans
    union all
    select looked_twice.declaration_no, looked_twice.fault from looked_twice
)

select
    'question ' || every_fault.declaration_no::varchar as subject,
    every_fault.fault,
from every_fault
order by every_fault.declaration_no, every_fault.fault;
