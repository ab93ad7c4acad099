-- question: How are the channels outside the channel table of pulls removed, before they are read from the file again?
-- grain: removes every row of these pulls
-- parameter: pull_nos integer[] : numbers of the pulls
delete from other_channels
where other_channels.pull_no in (select unnest($pull_nos::integer[]));
