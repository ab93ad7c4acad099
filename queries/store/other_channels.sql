-- question: Which channels outside the channel table does one pull have, and their values?
-- grain: one row a channel
-- parameter: pull_no integer : number of the pull
-- column: channel varchar
-- column: numbers double[] : null when the channel is not numeric
-- column: texts varchar[] : null when the channel is numeric
select
    other_channels.channel,
    other_channels.numbers,
    other_channels.texts,
from other_channels
where other_channels.pull_no = $pull_no;
