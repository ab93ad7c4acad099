-- question: What is exported of each pull?
-- grain: one row a pull
-- column: pull varchar : name of the pull, P and a number
-- column: file varchar : name of the log file as it was found
-- column: engine varchar : engine label, as the sheet or an amendment says
-- column: dyno varchar : dyno label; null where none is named
-- column: session varchar : session label: one stay on the dyno
-- column: setup varchar : setup label: what was fitted
-- column: order integer : place in the session
-- column: state varchar : accepted or excluded
-- column: why varchar : reason for the state
-- column: rpm_low double [rpm] : lowest engine speed of its curve; null where it has none
-- column: rpm_high double [rpm] : highest engine speed of its curve; likewise
-- column: started timestamp : local time of the shop
-- column: ambient_pressure_kpa double [kPa] : barometer, from the sheet
-- column: ambient_temperature_c double [degC] : air of the cell, from the sheet
-- column: ambient_humidity_pct double [%] : relative humidity, from the sheet
-- column: notes varchar : remarks of the sheet
-- column: sha256 varchar : SHA-256 of the file's bytes
-- column: part integer : number of the pull within its file
-- column: first_row integer : row of the file's table, from 0
-- column: row_count integer : rows of the file's table that are this pull
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
