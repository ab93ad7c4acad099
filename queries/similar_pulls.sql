-- question: Which pulls are most like this one, by shape or level of their torque curve?
-- grain: one row a pull, the most alike first
-- key: pull
-- parameter: pull varchar : the pull that others are held against
-- parameter: by varchar = shape : order by shape (level taken out) or level (shape and level together)
-- parameter: low double = null : lowest speed compared, rpm; null for the pull's own
-- parameter: high double = null : highest speed, likewise
-- parameter: least_overlap double = 0.8 : share of those speeds that another pull must cover
-- parameter: engine varchar = null : only pulls of this engine; null for every engine
-- parameter: dyno varchar = null : only pulls on this dyno
-- parameter: pulls varchar[] = null : only these, whatever their state; null for every accepted pull
-- parameter: most integer = 10 : pulls wanted
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: started timestamp : local time of the shop
-- column: shape_pct double [%] : root mean square difference of log torque, its mean taken out, times 100
-- column: level_pct double [%] : mean difference: this much above the pull asked for
-- column: whole_pct double [%] : root mean square difference of log torque, mean and all, times 100
-- column: speeds bigint : grid speeds that both cover
-- column: overlap double : the same as a share of the speeds compared, 0 to 1
-- column: from_rpm double [rpm] : first common speed
-- column: to_rpm double [rpm] : last common speed
-- column: compared bigint : accepted pulls with enough overlap, of which these are the nearest
with asked as (
    select pulls.pull_no
    from pulls
    where pulls.pull = $pull
),

target as (
    select
        curves.rpm,
        ln(curves.torque) as log_torque,
    from curves
    inner join asked on asked.pull_no = curves.pull_no
    where curves.torque > 0
        and ($low is null or curves.rpm >= $low)
        and ($high is null or curves.rpm <= $high)
),

others as (
    select pulls.pull_no
    from pulls
    where pulls.pull != $pull
        and if(
            $pulls is null,
            pulls.state = 'accepted',
            list_contains($pulls::varchar[], pulls.pull)
        )
        and ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
),

-- the one scan of the curves: 100,000 pulls become a row each
held as (
    select
        curves.pull_no,
        count(*) as speeds,
        min(curves.rpm) as from_rpm,
        max(curves.rpm) as to_rpm,
        avg(ln(curves.torque) - target.log_torque) as level,
        var_pop(ln(curves.torque) - target.log_torque) as variance,
    from curves
    inner join target on target.rpm = curves.rpm
    where curves.torque > 0
    group by curves.pull_no
),

enough as (
    select
        held.pull_no,
        held.speeds,
        held.speeds / (select count(*) from target) as overlap,
        held.from_rpm,
        held.to_rpm,
        held.level,
        sqrt(held.variance) as shape,
        sqrt(held.variance + held.level ^ 2) as whole,
    from held
    inner join others on others.pull_no = held.pull_no
    where held.speeds >= $least_overlap * (select count(*) from target)
),

nearest as (
    select
        enough.*,
        if($by = 'level', enough.whole, enough.shape) as distance,
        (select count(*) from enough) as compared,
    from enough
    order by distance, enough.pull_no
    limit $most
)

select
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.started,
    100 * nearest.shape as shape_pct,
    100 * (exp(nearest.level) - 1) as level_pct,
    100 * nearest.whole as whole_pct,
    nearest.speeds,
    nearest.overlap,
    nearest.from_rpm,
    nearest.to_rpm,
    nearest.compared,
from nearest
inner join pulls on pulls.pull_no = nearest.pull_no
order by nearest.distance, nearest.pull_no;
