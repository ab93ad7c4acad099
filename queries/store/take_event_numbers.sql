-- question: Which number does a new event of the cell get? (takes it for good)
-- grain: changes one row
-- parameter: events integer : how many events
-- column: event_no integer : the last of them
update counters
set event_no = counters.event_no + $events
returning counters.event_no;
