-- question: What is exported of the channels outside the channel table?
-- grain: one row a pull and channel
-- column: pull varchar : name of the pull, P and a number
-- column: channel varchar : stored name of the channel
-- column: unit varchar : unit it is stored in
-- column: numbers double[] : in file order; null when the channel is not numeric
-- column: texts varchar[] : likewise; null when the channel is numeric
select
    'P' || other_channels.pull_no::varchar as pull,
    other_channels.channel,
    other_channels.unit,
    other_channels.numbers,
    other_channels.texts,
from other_channels
order by other_channels.pull_no, other_channels.channel;
