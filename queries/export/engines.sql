-- question: What is exported of the engines?
-- grain: one row an engine
-- column: engine varchar : engine label, as the sheet or an amendment says
-- column: first_seen timestamp : UTC
select
    engines.engine,
    engines.first_seen,
from engines
order by engines.engine;
