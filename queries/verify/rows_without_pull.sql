-- question: Which rows belong to no pull?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with owned as (
    select 'samples' as place, samples.pull_no from samples
    union
    select 'curves' as place, curves.pull_no from curves
    union
    select 'other channels' as place, other_channels.pull_no from other_channels
    union
    select 'channel readings' as place, channel_readings.pull_no from channel_readings
    union
    select 'attributes' as place, attributes.pull_no from attributes
    union
    select 'findings' as place, findings.pull_no from findings
    union
    select 'amendments' as place, amendments.pull_no from amendments
)

select
    'P' || owned.pull_no::varchar as subject,
    'the ' || owned.place || ' hold rows of it, but there is no such pull' as fault,
from owned
where owned.pull_no is not null
    and owned.pull_no not in (select pulls.pull_no from pulls)
order by owned.pull_no, owned.place;
