-- question: Can the tables be read that no export holds?
-- grain: one row
-- column: checksum varchar
with read as (
    select hash(meta) as row_hash from meta
    union all
    select hash(counters) as row_hash from counters
    union all
    select hash(channels) as row_hash from channels
)

select sum(read.row_hash::hugeint)::varchar as checksum
from read;
