-- question: Which tables hold original bytes of files?
-- grain: one row a table, in the order they were made
-- column: table_name varchar
select duckdb_tables.table_name
from duckdb_tables()
where duckdb_tables.table_name ~ 'stored_sources(_\d+)?'
order by
    length(duckdb_tables.table_name),
    duckdb_tables.table_name;
