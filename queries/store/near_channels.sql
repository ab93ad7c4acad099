-- question: How far are other pulls from this one in some channels?
-- grain: one row a pull that has all of the channels, the nearest first
-- key: pull
-- parameter: pull varchar : the pull that others are held against
-- parameter: channels varchar[] : the channels
-- parameter: sds double[] : what a difference in each is divided by, in that order
-- parameter: pulls varchar[] = null : only these; null for every accepted pull
-- parameter: low double : lowest speed compared, rpm
-- parameter: high double : highest speed, likewise
-- parameter: least_overlap double = 0.8 : share of the speeds of each channel that must be common
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label
-- parameter: most integer = 10 : pulls wanted
-- column: pull varchar
-- column: distance double [SD] : root mean square over speeds, then over channels
-- column: channels varchar[] : those compared
-- column: differences double[] : mean difference in each, above the pull asked for, in the channel's unit
-- column: distances double[] : root mean square over speeds in each, in SDs
-- column: compared bigint : pulls with enough overlap in all of them
with others as (
    select
        pulls.pull_no,
        pulls.pull,
    from pulls
    where pulls.pull != $pull
        and ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
        and if(
            $pulls is null,
            pulls.state = 'accepted',
            list_contains($pulls::varchar[], pulls.pull)
        )
),

chosen as (
    select
        curves.pull_no,
        curves.rpm,
        columns(lambda c: list_contains($channels::varchar[], c)),
    from curves
    where curves.rpm between $low and $high
),

long as (
    unpivot chosen
    on columns(* exclude (pull_no, rpm))
    into name channel value reading
),

target as (
    select
        long.channel,
        long.rpm,
        long.reading,
        list_extract($sds::double[], list_position($channels::varchar[], long.channel)) as sd,
    from long
    inner join pulls on pulls.pull_no = long.pull_no
    where pulls.pull = $pull
),

needed as (
    select
        target.channel,
        count(*) as speeds,
    from target
    group by target.channel
),

held as (
    select
        long.pull_no,
        long.channel,
        count(*) as speeds,
        avg(long.reading - target.reading) as difference,
        sqrt(avg(((long.reading - target.reading) / target.sd) ^ 2)) as distance,
    from long
    inner join target on target.channel = long.channel
        and target.rpm = long.rpm
    group by long.pull_no, long.channel
),

enough as (
    select
        others.pull_no,
        any_value(others.pull) as pull,
        sqrt(avg(held.distance ^ 2)) as distance,
        list(held.channel order by held.channel) as channels,
        list(held.difference order by held.channel) as differences,
        list(held.distance order by held.channel) as distances,
    from held
    inner join others on others.pull_no = held.pull_no
    inner join needed on needed.channel = held.channel
    where held.speeds >= $least_overlap * needed.speeds
    group by others.pull_no
    having count(*) = (select count(*) from needed)
)

select
    enough.pull,
    enough.distance,
    enough.channels,
    enough.differences,
    enough.distances,
    (select count(*) from enough) as compared,
from enough
order by enough.distance, enough.pull_no
limit $most;
