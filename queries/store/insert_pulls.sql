-- question: How are pulls written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into pulls by name
select incoming.*
from incoming;
