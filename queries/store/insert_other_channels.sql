-- question: How are channels outside the channel table written? (from the registered frame "incoming", columns by name)
-- grain: writes one row a row of "incoming"
insert into other_channels by name
select incoming.*
from incoming;
