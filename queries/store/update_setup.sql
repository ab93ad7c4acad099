-- question: How is it written what a setup was changed from, and how?
-- grain: changes one row
-- parameter: engine varchar
-- parameter: setup varchar
-- parameter: relative_to varchar : the setup it was changed from
-- parameter: changed varchar : what was changed
update setups
set
    relative_to = $relative_to,
    changed = $changed
where setups.engine = $engine
    and setups.setup = $setup;
