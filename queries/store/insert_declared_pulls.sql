-- question: How are declared pulls written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into declared_pulls by name
select incoming.*
from incoming;
