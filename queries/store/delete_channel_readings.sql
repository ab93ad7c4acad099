-- question: How are the readings of columns of pulls removed, before they are read from the file again?
-- grain: removes every row of these pulls
-- parameter: pull_nos integer[] : numbers of the pulls
delete from channel_readings
where channel_readings.pull_no in (select unnest($pull_nos::integer[]));
