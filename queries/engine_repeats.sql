-- question: Which engines were repeated enough to teach the noise of a cell?
-- grain: one row an engine and dyno with accepted pulls, the most repeated first
-- key: engine, dyno
-- column: engine varchar
-- column: dyno varchar
-- column: setups bigint
-- column: sessions bigint
-- column: pulls bigint : accepted
-- column: pull_df bigint : pulls less one a setup and session: they teach how far pulls repeat
-- column: other_days bigint : sessions after a setup's first, summed over setups: they teach how far days differ
with counted as (
    select
        pulls.engine,
        pulls.dyno,
        pulls.setup,
        pulls.session,
        count(*) as pulls,
    from pulls
    where pulls.state = 'accepted'
    group by pulls.engine, pulls.dyno, pulls.setup, pulls.session
),

repeated as (
    select
        counted.engine,
        counted.dyno,
        counted.setup,
        count(*) - 1 as other_sessions,
    from counted
    group by counted.engine, counted.dyno, counted.setup
),

days as (
    select
        repeated.engine,
        repeated.dyno,
        sum(repeated.other_sessions) as repeats,
    from repeated
    group by repeated.engine, repeated.dyno
)

select
    counted.engine,
    counted.dyno,
    count(distinct counted.setup) as setups,
    count(distinct counted.session) as sessions,
    sum(counted.pulls)::bigint as pulls,
    sum(counted.pulls - 1)::bigint as pull_df,
    any_value(days.repeats)::bigint as other_days,
from counted
inner join days
    on days.engine = counted.engine
    and days.dyno is not distinct from counted.dyno
group by counted.engine, counted.dyno
order by pull_df desc, counted.engine, counted.dyno;
