-- question: Which pulls came from these files, and under which labels are they stored?
-- grain: one row a pull, in file order
-- parameter: sha256 varchar[] : the files
-- column: sha256 varchar
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer
-- column: started timestamp
-- column: ambient_pressure double [kPa]
-- column: ambient_temperature double [degC]
-- column: relative_humidity double [%]
select
    pulls.sha256,
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.started,
    pulls.ambient_pressure_kpa as ambient_pressure,
    pulls.ambient_temperature_c as ambient_temperature,
    pulls.ambient_humidity_pct as relative_humidity,
from pulls
where pulls.sha256 in (select unnest($sha256))
order by pulls.pull_no;
