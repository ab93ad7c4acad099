-- question: Which of these files are stored already?
-- grain: one row a stored file
-- parameter: sha256 varchar[] : the files asked for
-- column: sha256 varchar
select sources.sha256
from sources
where sources.sha256 in (select unnest($sha256));
