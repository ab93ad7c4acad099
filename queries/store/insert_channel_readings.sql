-- question: How are what the columns of a file became written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into channel_readings by name
select incoming.*
from incoming;
