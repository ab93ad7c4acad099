-- question: What is exported of the run sheets of declared questions?
-- grain: one row a planned pull
-- column: declaration_no integer : number of the declared question
-- column: place integer : from 1, over all sessions
-- column: session varchar : session label: one stay on the dyno
-- column: role varchar : warm_up, A, B or cool_down
-- column: setup varchar : setup label: what was fitted
-- column: run_order integer : place among the session's compared pulls; null for the others
-- column: file varchar : name its log shall have
-- column: note varchar : remark of the run sheet
select
    declared_pulls.declaration_no,
    declared_pulls.place,
    declared_pulls.session,
    declared_pulls.role,
    declared_pulls.setup,
    declared_pulls.run_order,
    declared_pulls.file,
    declared_pulls.note,
from declared_pulls
order by declared_pulls.declaration_no, declared_pulls.place;
