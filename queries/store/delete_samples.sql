-- question: How are the samples of pulls removed, before they are read from the file again?
-- grain: removes every row of these pulls
-- parameter: pull_nos integer[] : numbers of the pulls
delete from stored_samples
where stored_samples.pull_no in (select unnest($pull_nos::integer[]));
