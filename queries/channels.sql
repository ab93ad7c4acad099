-- question: Which channels are known, in which unit, and how many pulls have each?
-- grain: one row a channel
-- key: channel
-- column: channel varchar
-- column: unit varchar
-- column: in_channel_table boolean : others are kept under their own name
-- column: pulls bigint
with used as (
    select
        channel_readings.channel,
        any_value(channel_readings.unit) as unit,
        count(distinct channel_readings.pull_no) as pulls,
    from channel_readings
    where channel_readings.stored
    group by channel_readings.channel
)

select
    coalesce(channels.channel, used.channel) as channel,
    coalesce(channels.unit, used.unit) as unit,
    channels.channel is not null as in_channel_table,
    coalesce(used.pulls, 0) as pulls,
from channels
full join used on used.channel = channels.channel
order by channels.position nulls last, used.channel;
