-- question: What is exported of the stored files, beside their bytes?
-- grain: one row a file
-- column: sha256 varchar : SHA-256 of the file's bytes
-- column: file varchar : name of the log file as it was found
-- column: size bigint [B] : bytes of the file
-- column: stored_at timestamp : UTC
select
    sources.sha256,
    sources.file,
    sources.size,
    sources.stored_at,
from sources
order by sources.stored_at, sources.file, sources.sha256;
