-- question: What is exported of the setups?
-- grain: one row an engine and setup
-- column: engine varchar : engine label, as the sheet or an amendment says
-- column: setup varchar : setup label: what was fitted
-- column: relative_to varchar : the setup it was changed from
-- column: changed varchar : what was changed
-- column: first_seen timestamp : UTC
select
    setups.engine,
    setups.setup,
    setups.relative_to,
    setups.changed,
    setups.first_seen,
from setups
order by setups.engine, setups.setup;
