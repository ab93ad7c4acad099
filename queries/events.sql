-- question: What was done to the cells (calibrations, services, repairs), and when?
-- grain: one row an event, by date
-- key: event
-- parameter: dyno varchar = null : one dyno; null for all
-- parameter: as_of timestamp = null : as it stood at that past time (UTC); null for now
-- column: event varchar
-- column: dyno varchar
-- column: kind varchar : calibration, service, repair or other
-- column: happened_at timestamp : local time of the shop
-- column: what varchar
-- column: who varchar
-- column: noted_at timestamp : UTC
-- column: withdrawn varchar : why it was taken back; null while it stands
with withdrawals as (
    select
        cell_events.withdraws as event_no,
        arg_min(cell_events.what, cell_events.event_no) as why,
    from cell_events
    where cell_events.withdraws is not null
        and ($as_of is null or cell_events.noted_at <= $as_of)
    group by cell_events.withdraws
)

select
    'E' || cell_events.event_no::varchar as event,
    cell_events.dyno,
    cell_events.kind,
    cell_events.happened_at,
    cell_events.what,
    cell_events.who,
    cell_events.noted_at,
    withdrawals.why as withdrawn,
from cell_events
left join withdrawals on withdrawals.event_no = cell_events.event_no
where cell_events.kind != 'withdrawal'
    and ($dyno is null or cell_events.dyno = $dyno)
    and ($as_of is null or cell_events.noted_at <= $as_of)
order by cell_events.happened_at, cell_events.event_no;
