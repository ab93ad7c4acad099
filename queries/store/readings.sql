-- question: What did each column of a pull's file become, and how was that decided?
-- grain: one row a column of the pull's table, then one row a reading that was not taken
-- parameter: pull_no integer : number of the pull
-- column: channel varchar
-- column: unit varchar
-- column: source varchar : heading in the file
-- column: source_unit varchar
-- column: how varchar
-- column: known boolean
-- column: stored boolean
select
    channel_readings.channel,
    channel_readings.unit,
    channel_readings.source,
    channel_readings.source_unit,
    channel_readings.how,
    channel_readings.known,
    channel_readings.stored,
from channel_readings
where channel_readings.pull_no = $pull_no
order by channel_readings.position;
