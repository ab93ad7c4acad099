-- question: Which pulls came from a file, how far do they reach, and what read them?
-- grain: one row a pull, in file order
-- parameter: sha256 varchar : the file
-- column: pull varchar
-- column: file varchar
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
-- column: ambient_humidity_pct double [%]
-- column: importer varchar : program and version that read the file
select
    pulls.pull,
    pulls.file,
    pulls.ambient_pressure_kpa,
    pulls.ambient_temperature_c,
    pulls.ambient_humidity_pct,
    pulls.importer,
from pulls
where pulls.sha256 = $sha256
order by pulls.part;
