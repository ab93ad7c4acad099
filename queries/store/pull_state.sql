-- question: What does the warehouse say of one pull now?
-- grain: one row, none when there is no such pull
-- parameter: pull_no integer : number of the pull
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order varchar
-- column: started varchar
-- column: state varchar
-- column: why varchar : reason for the state
-- column: ambient_pressure varchar [kPa]
-- column: ambient_temperature varchar [degC]
-- column: relative_humidity varchar [%]
-- column: notes varchar
-- column: importer varchar : program and version that read the file
select
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order::varchar as "order",
    pulls.started::varchar as started,
    pulls.state,
    pulls.why,
    pulls.ambient_pressure_kpa::varchar as ambient_pressure,
    pulls.ambient_temperature_c::varchar as ambient_temperature,
    pulls.ambient_humidity_pct::varchar as relative_humidity,
    pulls.notes,
    pulls.importer,
from pulls
where pulls.pull_no = $pull_no;
