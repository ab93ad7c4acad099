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
with present as (
    -- stored_curves has columns for the channels that files brought, and no other: one more that
    -- never has a value lets a warehouse of torque alone be asked
    select
        stored_curves.*,
        null::double as lambda_0,
    from stored_curves
),

watched as (
    select
        present.pull_no,
        present.rpm,
        columns(
            '^((manifold|compressor|charge|exhaust|fuel)_.*|lambda.*|air_flow|oil_pressure)$'
        ) as "of_\0",
    from present
),

moved as (
    select
        watched.pull_no,
        watched.rpm,
        columns('of_(.*)'),
        -- the value where it is that of the speed before; the smoothing leaves a rounding of some
        -- 1e-12 on a constant
        case
            when abs(columns('of_(.*)') - lag(columns('of_(.*)') ignore nulls) over along)
                <= 1e-9 * greatest(abs(columns('of_(.*)')), 1)
                then columns('of_(.*)')
        end as "at_\1",
    from watched
    window along as (
        partition by watched.pull_no
        order by watched.rpm
    )
),

summed as (
    select
        moved.pull_no,
        count(columns('of_(.*)')) as "speeds_\1",
        struct_pack(
            speeds := count(columns('at_.*')),
            from_rpm := min(case when columns('at_.*') is not null then moved.rpm end),
            value := arg_max(columns('at_.*'), moved.rpm)
        ),
    from moved
    group by moved.pull_no
),

known as (
    unpivot (select summed.pull_no, columns('speeds_(.*)') as "\1" from summed)
    on columns(* exclude (pull_no))
    into name channel value speeds
),

stood as (
    unpivot (select summed.pull_no, columns('at_(.*)') as "\1" from summed)
    on columns(* exclude (pull_no))
    into name channel value still
),

counted as (
    select
        known.pull_no,
        known.channel,
        known.speeds,
        stood.still.speeds / nullif(known.speeds - 1, 0)::double as still_share,
        stood.still.from_rpm as from_rpm,
        stood.still.value as value,
    from known
    inner join stood
        on stood.pull_no = known.pull_no
            and stood.channel = known.channel
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
