-- question: Which files are stored, and which pulls came from each?
-- grain: one row a file
-- key: sha256
-- column: sha256 varchar
-- column: file varchar
-- column: size bigint [B]
-- column: stored_at timestamp : UTC
-- column: pulls varchar[] : in file order
select
    sources.sha256,
    sources.file,
    sources.size,
    sources.stored_at,
    list(pulls.pull order by pulls.part) as pulls,
from sources
inner join pulls on pulls.sha256 = sources.sha256
group by sources.sha256, sources.file, sources.size, sources.stored_at
order by min(pulls.pull_no);
