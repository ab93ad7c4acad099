-- question: Which numbers do new pulls and corrections get? (takes them for good)
-- grain: changes one row
-- parameter: pulls integer : how many pulls
-- parameter: amendments integer : how many corrections
-- column: pull_no integer : the last of them
-- column: amendment_no integer : the last of them
update counters
set
    pull_no = counters.pull_no + $pulls,
    amendment_no = counters.amendment_no + $amendments
returning
    counters.pull_no,
    counters.amendment_no;
