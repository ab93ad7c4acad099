-- question: How are corrections written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into amendments by name
select incoming.*
from incoming;
