-- question: Which numbers were given last to pulls and to amendments? (0 when none)
-- grain: one row
-- column: pull_no integer
-- column: amendment_no integer
select
    coalesce((select max(pulls.pull_no) from pulls), 0) as pull_no,
    coalesce((select max(amendments.amendment_no) from amendments), 0) as amendment_no;
