-- question: How are the curves of pulls removed, before they are read from the file again?
-- grain: removes every row of these pulls
-- parameter: pull_nos integer[] : numbers of the pulls
delete from stored_curves
where stored_curves.pull_no in (select unnest($pull_nos::integer[]));
