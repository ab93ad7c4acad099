-- question: Which values did the labels of pulls from these files have at other times?
-- grain: one row a correction
-- parameter: sha256 varchar[] : the files
-- column: pull varchar
-- column: field varchar
-- column: old_value varchar
-- column: new_value varchar
select
    pulls.pull,
    amendments.field,
    amendments.old_value,
    amendments.new_value,
from amendments
inner join pulls on pulls.pull_no = amendments.pull_no
where pulls.sha256 in (select unnest($sha256))
order by amendments.amendment_no;
