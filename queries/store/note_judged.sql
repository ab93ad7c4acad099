-- question: Up to which pull has each been held against the rest of its session?
-- grain: changes one row
-- parameter: pull_no integer : the last of them
update counters
set judged_pull_no = greatest(counters.judged_pull_no, $pull_no);
