-- schema 6: up to which pull each was held against the rest of its session.
-- An ingest does so when all its pulls are stored. One that was killed before leaves the rest to the
-- next. What older layouts hold counts as done.

alter table counters add column judged_pull_no integer default 0;

update counters
set judged_pull_no = counters.pull_no;
