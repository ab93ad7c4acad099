-- question: What is exported of the sessions?
-- grain: one row a dyno and session
-- column: dyno varchar : dyno label; null where none is named
-- column: session varchar : session label: one stay on the dyno
-- column: first_seen timestamp : UTC
select
    sessions.dyno,
    sessions.session,
    sessions.first_seen,
from sessions
order by sessions.dyno, sessions.session;
