-- question: Which share of each year's pulls has which channel?
-- grain: one row a year and channel that was logged in it
-- key: year, channel
-- column: year bigint : of the pulls' start; of their storing where no start is known
-- column: channel varchar
-- column: pulls bigint : with the channel
-- column: of_pulls bigint : stored pulls of the year
-- column: share_pct double [%]
with dated as (
    select
        pulls.pull_no,
        year(coalesce(pulls.started, pulls.stored_at)) as year,
    from pulls
),

totals as (
    select
        dated.year,
        count(*) as pulls,
    from dated
    group by dated.year
),

logged as (
    select
        dated.year,
        channel_readings.channel,
        count(distinct channel_readings.pull_no) as pulls,
    from channel_readings
    inner join dated on dated.pull_no = channel_readings.pull_no
    where channel_readings.stored
    group by dated.year, channel_readings.channel
)

select
    logged.year,
    logged.channel,
    logged.pulls,
    totals.pulls as of_pulls,
    100.0::double * logged.pulls / totals.pulls as share_pct,
from logged
inner join totals on totals.year = logged.year
order by logged.year, logged.pulls desc, logged.channel;
