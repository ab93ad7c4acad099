-- question: How are looks written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into looks by name
select incoming.*
from incoming;
