-- question: How many rows does a table hold, and what do they sum to? (after a CTE "exported")
-- grain: one row
-- column: rows bigint
-- column: checksum varchar : equal for equal contents, whatever the order of the rows
select
    count(*) as rows,
    coalesce(sum(hash(exported)::hugeint), 0)::varchar as checksum,
from exported;
