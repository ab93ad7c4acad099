-- question: What is exported of how each column of a file was read?
-- grain: one row a pull and column of its table, then one row a reading that was not taken
-- column: pull varchar : name of the pull, P and a number
-- column: position integer : place of the column in the pull's table, from 0
-- column: channel varchar : stored name of the channel
-- column: unit varchar : unit it is stored in
-- column: source varchar : heading in the file
-- column: source_unit varchar : unit stated in the file
-- column: how varchar : how channel and unit were decided
-- column: known boolean : whether the channel table knows it
-- column: stored boolean : false: named in the file, but not taken
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
