-- question: What is exported of the events of the cells?
-- grain: one row an event, in the order noted
-- column: event_no integer : number of the event, in order of noting
-- column: dyno varchar : dyno label; null where none is named
-- column: kind varchar : calibration, service, repair, other, or withdrawal
-- column: happened_at timestamp : local time of the shop
-- column: what varchar : what was done
-- column: who varchar : who said so
-- column: noted_at timestamp : UTC
-- column: withdraws integer : number of the event it takes back
select
    cell_events.event_no,
    cell_events.dyno,
    cell_events.kind,
    cell_events.happened_at,
    cell_events.what,
    cell_events.who,
    cell_events.noted_at,
    cell_events.withdraws,
from cell_events
order by cell_events.event_no;
