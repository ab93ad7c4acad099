-- question: What is exported of what was noticed when pulls were read?
-- grain: one row a pull and finding
-- column: pull varchar : name of the pull, P and a number
-- column: finding varchar : name of the check
-- column: severity varchar : void, doubtful or note
-- column: message varchar : what was noticed, in sentences
select
    'P' || findings.pull_no::varchar as pull,
    findings.finding,
    findings.severity,
    findings.message,
from findings
order by findings.pull_no, findings.finding, findings.message;
