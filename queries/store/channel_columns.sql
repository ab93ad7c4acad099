-- question: Which channels are known, and which have a column in the wide tables yet?
-- grain: one row a known channel, in the order of the channel table
-- column: channel varchar
-- column: in_samples boolean
-- column: in_curves boolean
with stored as (
    select
        duckdb_columns.table_name,
        duckdb_columns.column_name,
    from duckdb_columns()
    where duckdb_columns.table_name in ('stored_samples', 'stored_curves')
)

select
    channels.channel,
    ('stored_samples', channels.channel) in (select (table_name, column_name) from stored)
        as in_samples,
    ('stored_curves', channels.channel) in (select (table_name, column_name) from stored)
        as in_curves,
from channels
order by channels.position;
