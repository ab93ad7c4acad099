-- question: Which events of the cells have a number twice or out of turn, or withdraw what is not there?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with repeated as (
    select
        'E' || cell_events.event_no::varchar as subject,
        'event stored twice' as fault,
    from cell_events
    group by cell_events.event_no
    having count(*) > 1
),

beyond as (
    select
        'E' || cell_events.event_no::varchar as subject,
        'numbered past the last number given' as fault,
    from cell_events
    where cell_events.event_no > (select counters.event_no from counters)
),

adrift as (
    select
        'E' || cell_events.event_no::varchar as subject,
        'withdraws an event that is not there' as fault,
    from cell_events
    where (cell_events.kind = 'withdrawal') != (cell_events.withdraws is not null)
        or cell_events.withdraws not in (select earlier.event_no from cell_events as earlier)
)

select repeated.subject, repeated.fault from repeated
union all
select beyond.subject, beyond.fault from beyond
union all
select adrift.subject, adrift.fault from adrift;
