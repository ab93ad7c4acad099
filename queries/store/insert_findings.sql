-- question: How are what was noticed about pulls written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into findings by name
select incoming.*
from incoming;
