-- question: Which columns do the wide tables have? (a column a channel of the channel table)
-- grain: one row a table and column
-- column: table_name varchar
-- column: column_name varchar
select
    duckdb_columns.table_name,
    duckdb_columns.column_name,
from duckdb_columns()
where duckdb_columns.table_name in ('samples', 'curves')
    and not duckdb_columns.internal
order by duckdb_columns.table_name, duckdb_columns.column_index;
