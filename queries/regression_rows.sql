-- question: What rows does a regression of accepted pulls rest on, channels and their logs by engine speed?
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
-- column: torque double [N.m]
-- column: log_torque double : natural log of torque in N.m
-- column: log_manifold_pressure double : natural log of absolute pressure in kPa
-- column: log_charge_temperature double : natural log of absolute temperature in K
-- column: log_lambda double : natural log of lambda
-- column: manifold_pressure double [kPa absolute]
-- column: compressor_out_pressure double [kPa absolute]
-- column: compressor_out_temperature double [degC]
-- column: charge_temperature double [degC]
-- column: cooler_medium_temperature double [degC]
-- column: lambda double
-- column: fuel_flow double [kg/h]
-- column: air_flow double [kg/h]
-- column: oil_temperature double [degC]
-- column: coolant_temperature double [degC]
-- column: ignition_advance double [deg]
-- column: ambient_pressure double [kPa] : of the cell, as the sheet has it
-- column: ambient_temperature double [degC] : likewise
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
    curves.torque,
    ln(curves.torque) as log_torque,
    if(curves.manifold_pressure > 0, ln(curves.manifold_pressure), null) as log_manifold_pressure,
    if(
        curves.charge_temperature > -273.15, ln(curves.charge_temperature + 273.15), null
    ) as log_charge_temperature,
    if(curves."lambda" > 0, ln(curves."lambda"), null) as log_lambda,
    curves.manifold_pressure,
    curves.compressor_out_pressure,
    curves.compressor_out_temperature,
    curves.charge_temperature,
    curves.cooler_medium_temperature,
    curves."lambda",
    curves.fuel_flow,
    curves.air_flow,
    curves.oil_temperature,
    curves.coolant_temperature,
    curves.ignition_advance,
    chosen.ambient_pressure_kpa as ambient_pressure,
    chosen.ambient_temperature_c as ambient_temperature,
from chosen
inner join curves on curves.pull_no = chosen.pull_no
where curves.torque > 0
    and ($low is null or curves.rpm >= $low)
    and ($high is null or curves.rpm <= $high);
