-- question: What was noticed about the chosen pulls when they were read?
-- grain: one row a finding
-- parameter: pull_nos integer[] = null : numbers of the pulls; null for all
-- column: pull varchar
-- column: check varchar
-- column: severity varchar : void, doubtful or note
-- column: message varchar
select
    'P' || findings.pull_no::varchar as pull,
    findings.finding as "check",
    findings.severity,
    findings.message,
from findings
where $pull_nos is null
    or findings.pull_no in (select unnest($pull_nos::integer[]))
order by findings.pull_no, findings.finding;
