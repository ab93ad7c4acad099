-- question: How are the original bytes of files written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into stored_sources by name
select incoming.*
from incoming;
