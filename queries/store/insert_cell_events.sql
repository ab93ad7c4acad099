-- question: How are events of the cells written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into cell_events by name
select incoming.*
from incoming;
