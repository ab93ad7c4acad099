-- question: What is exported of the stored files, beside their bytes?
-- grain: one row a file
-- column: sha256 varchar
-- column: file varchar
-- column: size bigint [B]
-- column: stored_at timestamp : UTC
select
    sources.sha256,
    sources.file,
    sources.size,
    sources.stored_at,
from sources
order by sources.stored_at, sources.file, sources.sha256;
