-- question: Which pulls lack a channel that was read from their file?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with here as (
    select
        other_channels.pull_no,
        other_channels.channel,
    from other_channels
    union all
    select
        null as pull_no,
        channels.channel,
    from channels
)

select
    'P' || channel_readings.pull_no::varchar as subject,
    'its channel ' || channel_readings.channel || ' is not stored' as fault,
from channel_readings
left join here
    on here.channel = channel_readings.channel
    and coalesce(here.pull_no, channel_readings.pull_no) = channel_readings.pull_no
where channel_readings.stored
    and here.channel is null
order by channel_readings.pull_no, channel_readings.position;
