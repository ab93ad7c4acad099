-- question: Which accepted pulls of a family of engines can be laid side by side over a band of speeds?
-- grain: one row a pull that covers the whole band
-- key: pull
-- parameter: family varchar : how the engines' labels begin
-- parameter: low double : lowest engine speed, rpm
-- parameter: high double : highest engine speed, rpm
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: started timestamp : local time of the shop
-- column: speeds bigint : of the grid, within the band
-- column: mean_torque double [N.m] : over the band
-- column: mean_power double [kW] : likewise
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
with covering as (
    select
        curves.pull_no,
        count(*) as speeds,
        avg(curves.torque) as mean_torque,
        avg(curves.torque * curves.rpm * pi() / 30000) as mean_power,
    from curves
    where curves.rpm between $low and $high
        and curves.torque is not null
    group by curves.pull_no
)

select
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.started,
    covering.speeds,
    covering.mean_torque,
    covering.mean_power,
    pulls.ambient_pressure_kpa,
    pulls.ambient_temperature_c,
from pulls
inner join covering on covering.pull_no = pulls.pull_no
where pulls.state = 'accepted'
    and starts_with(lower(pulls.engine), lower($family))
    and pulls.rpm_low <= $low
    and pulls.rpm_high >= $high
order by pulls.engine, pulls.pull_no;
