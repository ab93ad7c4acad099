-- question: How are attributes and file metadata written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into attributes by name
select incoming.*
from incoming;
