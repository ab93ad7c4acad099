-- question: What is exported of each pull?
-- grain: one row a pull
-- column: pull varchar
-- column: file varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: state varchar : accepted or excluded
-- column: why varchar : reason for the state
-- column: rpm_low double [rpm]
-- column: rpm_high double [rpm]
-- column: started timestamp : local time of the shop
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
-- column: ambient_humidity_pct double [%]
-- column: notes varchar
-- column: sha256 varchar
-- column: part integer : number of the pull within its file
-- column: first_row integer : row of the file's table, from 0
-- column: row_count integer
-- column: stored_at timestamp : UTC
-- column: importer varchar : program and version that read the file
select
    pulls.pull,
    pulls.file,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.state,
    pulls.why,
    pulls.rpm_low,
    pulls.rpm_high,
    pulls.started,
    pulls.ambient_pressure_kpa,
    pulls.ambient_temperature_c,
    pulls.ambient_humidity_pct,
    pulls.notes,
    pulls.sha256,
    pulls.part,
    pulls.first_row,
    pulls.row_count,
    pulls.stored_at,
    pulls.importer,
from pulls
order by pulls.pull_no;
