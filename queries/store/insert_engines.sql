-- question: How are engines written that were not there yet? (from the frame "incoming")
-- grain: writes one row a new engine
insert into engines by name
select distinct
    incoming.engine,
    incoming.stored_at as first_seen,
from incoming
where incoming.engine not in (select engines.engine from engines);
