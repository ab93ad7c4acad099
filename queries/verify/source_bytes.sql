-- question: Which stored files are not the bytes they were stored as?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
select
    sources.file as subject,
    'its bytes do not match the SHA-256 they were stored under' as fault,
from sources
where sha256(sources.data) <> sources.sha256
    or octet_length(sources.data) <> sources.size
order by sources.file;
