-- question: What was a setup changed from, and how?
-- grain: one row, none when there is no such setup
-- parameter: engine varchar
-- parameter: setup varchar
-- column: relative_to varchar : the setup it was changed from
-- column: changed varchar : what was changed
select
    setups.relative_to,
    setups.changed,
from setups
where setups.engine = $engine
    and setups.setup = $setup;
