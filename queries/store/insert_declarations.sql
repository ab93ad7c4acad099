-- question: How are declarations written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into declarations by name
select incoming.*
from incoming;
