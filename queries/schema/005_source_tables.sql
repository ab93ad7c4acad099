-- schema 5: the original bytes of a large batch of files in a table of their own.
-- As a table grows, the storage engine now and then merges its last rows and packs them anew. For
-- original bytes that costs more than reading the files did, again with every doubling of the table;
-- a table that is written once is never packed again. `sources` is the view of all these tables:
-- stored_sources for small batches, stored_sources_1 and so on for one large batch each.

alter table sources rename to stored_sources;

create view sources as
select
    stored_sources.sha256,
    stored_sources.file,
    stored_sources.size,
    stored_sources.stored_at,
    stored_sources.data,
from stored_sources;
