-- question: How far are other pulls from this one in the air and the temperatures they began with?
-- grain: one row a pull of which all is known that is known of this one, the nearest first
-- key: pull
-- parameter: pull varchar : the pull that others are held against
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label
-- parameter: most integer = 10 : pulls wanted
-- column: pull varchar
-- column: distance double [SD] : root mean square over conditions, each in SDs of all accepted pulls
-- column: conditions varchar[] : those compared
-- column: differences double[] : above the pull asked for, in kPa, degC or %
-- column: distances double[] : the same in SDs of all accepted pulls
-- column: compared bigint : pulls of which all of them is known
with begun as (
    select
        curves.pull_no,
        arg_min(curves.charge_temperature, curves.rpm) as start_charge_temperature_c,
        arg_min(curves.oil_temperature, curves.rpm) as start_oil_temperature_c,
        arg_min(curves.coolant_temperature, curves.rpm) as start_coolant_temperature_c,
    from curves
    group by curves.pull_no
),

known as (
    select
        pulls.pull_no,
        pulls.ambient_pressure_kpa,
        pulls.ambient_temperature_c,
        pulls.ambient_humidity_pct,
        begun.start_charge_temperature_c,
        begun.start_oil_temperature_c,
        begun.start_coolant_temperature_c,
    from pulls
    left join begun on begun.pull_no = pulls.pull_no
    where pulls.state = 'accepted'
        or pulls.pull = $pull
),

long as (
    unpivot known
    on columns(* exclude (pull_no))
    into name condition value reading
),

spread as (
    select
        long.condition,
        stddev_samp(long.reading) as sd,
    from long
    group by long.condition
    having sd > 0
),

target as (
    select
        long.condition,
        long.reading,
        spread.sd,
    from long
    inner join pulls on pulls.pull_no = long.pull_no
    inner join spread on spread.condition = long.condition
    where pulls.pull = $pull
),

held as (
    select
        long.pull_no,
        sqrt(avg(((long.reading - target.reading) / target.sd) ^ 2)) as distance,
        list(long.condition order by long.condition) as conditions,
        list(long.reading - target.reading order by long.condition) as differences,
        list((long.reading - target.reading) / target.sd order by long.condition) as distances,
    from long
    inner join target on target.condition = long.condition
    group by long.pull_no
    having count(*) = (select count(*) from target)
),

enough as (
    select
        pulls.pull_no,
        pulls.pull,
        held.* exclude (pull_no),
    from held
    inner join pulls on pulls.pull_no = held.pull_no
    where pulls.pull != $pull
        and ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
)

select
    enough.pull,
    enough.distance,
    enough.conditions,
    enough.differences,
    enough.distances,
    (select count(*) from enough) as compared,
from enough
order by enough.distance, enough.pull_no
limit $most;
