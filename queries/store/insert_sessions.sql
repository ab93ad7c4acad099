-- question: How are sessions written that were not there yet? (from the frame "incoming")
-- grain: writes one row a new dyno and session
insert into sessions by name
select distinct
    incoming.dyno,
    incoming.session,
    incoming.stored_at as first_seen,
from incoming
where not exists (
    select 1
    from sessions
    where sessions.session = incoming.session
        and sessions.dyno is not distinct from incoming.dyno
);
