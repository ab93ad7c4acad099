-- question: Which sensors stood still while the engine ran through its speeds?
-- grain: one row a pull and channel that stood still over more than that share of the speeds
-- key: pull, channel
-- parameter: least double = 0.3 : share of the pull's speeds, 0 to 1
-- parameter: engine varchar = null : engine label; null for every engine
-- column: pull varchar
-- column: engine varchar
-- column: session varchar
-- column: channel varchar : of pressures, temperatures, mixture and flows
-- column: speeds bigint : of the grid with a value
-- column: still_share double : of those, at the same value as the speed before
-- column: from_rpm double [rpm] : first speed at which it stood still
-- column: value double : where it stood last, in the channel's unit
with watched as (
    unpivot (
        select
            curves.pull_no,
            curves.rpm,
            columns(
                'manifold_.*|compressor_.*|charge_.*|exhaust_.*|lambda.*|fuel_.*|air_flow|oil_pressure'
            ),
        from curves
    )
    on columns(* exclude (pull_no, rpm))
    into name channel value value
),

moved as (
    select
        watched.pull_no,
        watched.rpm,
        watched.channel,
        watched.value,
        -- the smoothing leaves a rounding of some 1e-12 on a constant
        abs(watched.value - lag(watched.value) over along)
            <= 1e-9 * greatest(abs(watched.value), 1) as still,
    from watched
    window along as (
        partition by watched.pull_no, watched.channel
        order by watched.rpm
    )
),

counted as (
    select
        moved.pull_no,
        moved.channel,
        count(*) as speeds,
        count(*) filter (where moved.still) / nullif(count(moved.still), 0)::double as still_share,
        min(moved.rpm) filter (where moved.still) as from_rpm,
        arg_max(moved.value, moved.rpm) filter (where moved.still) as value,
    from moved
    group by moved.pull_no, moved.channel
)

select
    pulls.pull,
    pulls.engine,
    pulls.session,
    counted.channel,
    counted.speeds,
    counted.still_share,
    counted.from_rpm,
    counted.value,
from counted
inner join pulls on pulls.pull_no = counted.pull_no
where counted.still_share > $least
    and ($engine is null or pulls.engine = $engine)
order by pulls.pull_no, counted.channel;
