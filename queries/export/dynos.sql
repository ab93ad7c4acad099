-- question: What is exported of the dynos?
-- grain: one row a dyno
-- column: dyno varchar : dyno label; null where none is named
-- column: first_seen timestamp : UTC
select
    dynos.dyno,
    dynos.first_seen,
from dynos
order by dynos.dyno;
