-- question: What rows does a regression of accepted pulls rest on, channels and their logs by engine speed?
-- question: (the channels follow, as the channel table orders them)
-- grain: one row a pull and speed of the grid with torque above zero
-- key: pull, rpm
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label; null for every dyno
-- parameter: setups varchar[] = null : setup labels; null for every setup
-- parameter: low double = null : lowest engine speed, rpm
-- parameter: high double = null : highest engine speed, rpm
-- column: pull_no integer : number of the pull
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar : engine, dyno and session, so that no two stays share a name
-- column: setup varchar
-- column: order integer : place in the session
-- column: rpm double [rpm]
-- column: log_rpm double : natural log of engine speed in rpm
-- column: log_torque double : natural log of torque in N.m
-- column: log_manifold_pressure double : natural log of absolute pressure in kPa
-- column: log_charge_temperature double : natural log of absolute temperature in K
-- column: log_lambda double : natural log of lambda
-- column: ambient_pressure double [kPa] : of the cell, as the sheet has it, else the log
-- column: ambient_temperature double [degC] : likewise
-- column: relative_humidity double [%] : likewise
with chosen as (
    select
        pulls.pull_no,
        pulls.pull,
        pulls.engine,
        pulls.dyno,
        concat_ws(' / ', pulls.engine, pulls.dyno, pulls.session) as session,
        pulls.setup,
        pulls.run_order,
        pulls.ambient_pressure_kpa,
        pulls.ambient_temperature_c,
        pulls.ambient_humidity_pct,
    from pulls
    where pulls.state = 'accepted'
        and ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
        and ($setups is null or list_contains($setups::varchar[], pulls.setup))
)

select
    chosen.pull_no,
    chosen.pull,
    chosen.engine,
    chosen.dyno,
    chosen.session,
    chosen.setup,
    chosen.run_order as "order",
    curves.rpm,
    ln(curves.rpm) as log_rpm,
    ln(curves.torque) as log_torque,
    if(curves.manifold_pressure > 0, ln(curves.manifold_pressure), null) as log_manifold_pressure,
    if(
        curves.charge_temperature > -273.15, ln(curves.charge_temperature + 273.15), null
    ) as log_charge_temperature,
    if(curves."lambda" > 0, ln(curves."lambda"), null) as log_lambda,
    coalesce(chosen.ambient_pressure_kpa, curves.ambient_pressure) as ambient_pressure,
    coalesce(chosen.ambient_temperature_c, curves.ambient_temperature) as ambient_temperature,
    coalesce(chosen.ambient_humidity_pct, curves.relative_humidity) as relative_humidity,
    curves.* exclude (pull_no, rpm, ambient_pressure, ambient_temperature, relative_humidity),
from chosen
inner join curves on curves.pull_no = chosen.pull_no
where curves.torque > 0
    and ($low is null or curves.rpm >= $low)
    and ($high is null or curves.rpm <= $high);
