-- question: What are the original bytes of a file?
-- grain: one row
-- parameter: sha256 varchar : the file
-- column: data blob
select sources.data
from sources
where sources.sha256 = $sha256;
