-- question: What is stored of each pull?
-- grain: one row a pull
-- key: pull
-- column: pull varchar
-- column: file varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: started timestamp : local time of the shop
-- column: state varchar : accepted or excluded
-- column: why varchar : reason for the state
-- column: rpm_low double [rpm]
-- column: rpm_high double [rpm]
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
-- column: ambient_humidity_pct double [%]
-- column: notes varchar
-- column: stored_at timestamp : UTC
select
    pulls.pull,
    pulls.file,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.started,
    pulls.state,
    pulls.why,
    pulls.rpm_low,
    pulls.rpm_high,
    pulls.ambient_pressure_kpa,
    pulls.ambient_temperature_c,
    pulls.ambient_humidity_pct,
    pulls.notes,
    pulls.stored_at,
from pulls;
