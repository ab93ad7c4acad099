-- question: Under which headings did each channel come in?
-- grain: one row a channel and heading, the most frequent first
-- column: channel varchar : stored name
-- column: unit varchar : unit it is stored in
-- column: source varchar : heading in the files
-- column: pulls bigint : pulls that had it under that heading
select
    channel_readings.channel,
    channel_readings.unit,
    channel_readings.source,
    count(*) as pulls,
from channel_readings
where channel_readings.stored
    and channel_readings.source is not null
group by channel_readings.channel, channel_readings.unit, channel_readings.source
order by channel_readings.channel, pulls desc, channel_readings.source;
