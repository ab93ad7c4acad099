-- question: How is written what reading a pull's file again gave?
-- grain: changes one row
-- parameter: pull_no integer : number of the pull
-- parameter: first_row integer : row of the file's table, from 0
-- parameter: row_count integer
-- parameter: rpm_low double
-- parameter: rpm_high double
-- parameter: importer varchar : program and version
update pulls
set
    first_row = $first_row,
    row_count = $row_count,
    rpm_low = $rpm_low,
    rpm_high = $rpm_high,
    importer = $importer
where pulls.pull_no = $pull_no;
