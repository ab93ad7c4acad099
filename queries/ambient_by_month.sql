-- question: What air did each cell breathe, month by month?
-- grain: one row a dyno and month with any reading of the air
-- key: dyno, month
-- column: dyno varchar
-- column: month date : its first day; of the pulls' start
-- column: pulls bigint : with any reading
-- column: mean_pressure_kpa double [kPa]
-- column: low_pressure_kpa double [kPa]
-- column: high_pressure_kpa double [kPa]
-- column: mean_temperature_c double [degC]
-- column: low_temperature_c double [degC]
-- column: high_temperature_c double [degC]
-- column: mean_humidity_pct double [%] : relative humidity
select
    pulls.dyno,
    date_trunc('month', pulls.started)::date as month,
    count(*) as pulls,
    avg(pulls.ambient_pressure_kpa) as mean_pressure_kpa,
    min(pulls.ambient_pressure_kpa) as low_pressure_kpa,
    max(pulls.ambient_pressure_kpa) as high_pressure_kpa,
    avg(pulls.ambient_temperature_c) as mean_temperature_c,
    min(pulls.ambient_temperature_c) as low_temperature_c,
    max(pulls.ambient_temperature_c) as high_temperature_c,
    avg(pulls.ambient_humidity_pct) as mean_humidity_pct,
from pulls
where pulls.started is not null
    and coalesce(
        pulls.ambient_pressure_kpa, pulls.ambient_temperature_c, pulls.ambient_humidity_pct
    ) is not null
group by pulls.dyno, date_trunc('month', pulls.started)::date
order by pulls.dyno, month;
