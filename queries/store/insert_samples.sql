-- question: How are the samples of pulls written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into stored_samples by name
select incoming.*
from incoming;
