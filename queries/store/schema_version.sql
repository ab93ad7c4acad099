-- question: Which schema version does the warehouse have?
-- grain: one row
-- column: schema_version integer
select max(meta.schema_version) as schema_version
from meta;
