-- question: What is exported of the channel table? (the units of samples and curves)
-- grain: one row a channel
-- column: channel varchar : stored name of the channel
-- column: unit varchar : unit it is stored in
select
    channels.channel,
    channels.unit,
from channels
order by channels.position;
