-- question: What was noticed about the pulls when they were read?
-- grain: one row a finding
-- key: pull, check, message
-- parameter: severity varchar = null : void, doubtful or note; null for all
-- column: pull varchar
-- column: file varchar
-- column: check varchar
-- column: severity varchar
-- column: message varchar
select
    pulls.pull,
    pulls.file,
    findings.finding as "check",
    findings.severity,
    findings.message,
from findings
inner join pulls on pulls.pull_no = findings.pull_no
where $severity is null
    or findings.severity = $severity
order by pulls.pull_no, findings.finding, findings.message;
