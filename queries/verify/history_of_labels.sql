-- question: Which pulls are not labelled as the last correction says?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with last_word as (
    select
        amendments.pull_no,
        amendments.field,
        arg_max(struct_pack(new := amendments.new_value), amendments.amendment_no).new as new_value,
    from amendments
    where amendments.pull_no is not null
    group by amendments.pull_no, amendments.field
),

labelled as (
    unpivot (
        select
            pulls.pull_no,
            pulls.engine,
            coalesce(pulls.dyno, '') as dyno,
            pulls.session,
            pulls.setup,
            coalesce(pulls.run_order::varchar, '') as "order",
            pulls.state,
            coalesce(pulls.notes, '') as notes,
            pulls.importer,
        from pulls
    )
    on engine, dyno, session, setup, "order", state, notes, importer
    into name field value now
)

select
    'P' || last_word.pull_no::varchar as subject,
    last_word.field || ' is not what the history of corrections says' as fault,
from last_word
inner join labelled
    on labelled.pull_no = last_word.pull_no
    and labelled.field = last_word.field
where labelled.now <> coalesce(last_word.new_value, '')
order by last_word.pull_no, last_word.field;
