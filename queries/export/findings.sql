-- question: What is exported of what was noticed when pulls were read?
-- grain: one row a pull and finding
-- column: pull varchar
-- column: finding varchar : name of the check
-- column: severity varchar : void, doubtful or note
-- column: message varchar
select
    'P' || findings.pull_no::varchar as pull,
    findings.finding,
    findings.severity,
    findings.message,
from findings
order by findings.pull_no, findings.finding, findings.message;
