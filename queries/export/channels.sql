-- question: What is exported of the channel table? (the units of samples and curves)
-- grain: one row a channel
-- column: channel varchar
-- column: unit varchar
select
    channels.channel,
    channels.unit,
from channels
order by channels.position;
