-- question: What is exported of how each column of a file was read?
-- grain: one row a pull and column of its table, then one row a reading that was not taken
-- column: pull varchar
-- column: position integer
-- column: channel varchar
-- column: unit varchar
-- column: source varchar : heading in the file
-- column: source_unit varchar
-- column: how varchar
-- column: known boolean
-- column: stored boolean
select
    'P' || channel_readings.pull_no::varchar as pull,
    channel_readings.position,
    channel_readings.channel,
    channel_readings.unit,
    channel_readings.source,
    channel_readings.source_unit,
    channel_readings.how,
    channel_readings.known,
    channel_readings.stored,
from channel_readings
order by channel_readings.pull_no, channel_readings.position;
