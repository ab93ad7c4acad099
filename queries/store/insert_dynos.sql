-- question: How are dynos written that were not there yet? (from the frame "incoming")
-- grain: writes one row a new dyno
insert into dynos by name
select distinct
    incoming.dyno,
    incoming.stored_at as first_seen,
from incoming
where incoming.dyno is not null
    and incoming.dyno not in (select dynos.dyno from dynos);
