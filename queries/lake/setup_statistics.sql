-- question: What does a partition of a lake say of each setup in each session, in numbers that can be merged?
-- grain: one row a shop, dyno, engine, session, setup and speed of the grid, in any order
-- key: shop, dyno, engine, session, setup, rpm
-- column: shop varchar
-- column: dyno varchar
-- column: engine varchar
-- column: session varchar
-- column: setup varchar
-- column: rpm double [rpm]
-- column: n bigint : accepted pulls that reach this speed
-- column: n_placed bigint : those of them whose place in the session is known
-- column: mean_order double : mean place in the session; 0 where none is known
-- column: mean_log_torque double : mean of the natural log of torque in N.m
-- column: m2_order double : sum of squared deviations from the mean
-- column: m2_log_torque double : likewise
-- column: cross_order_log_torque double : sum of products of deviations from the means
with measured as (
    select
        lake_curves.shop,
        lake_curves.dyno,
        lake_curves.engine,
        lake_curves.session,
        lake_curves.setup,
        lake_curves.rpm,
        cast(lake_curves."order" as double) as place,
        cast(coalesce(lake_curves."order", 0) as double) as placed,
        ln(lake_curves.torque) as log_torque,
    from lake_curves
    where lake_curves.state = 'accepted'
        and lake_curves.torque > 0
)

select
    measured.shop,
    measured.dyno,
    measured.engine,
    measured.session,
    measured.setup,
    measured.rpm,
    count(*) as n,
    count(measured.place) as n_placed,
    avg(measured.placed) as mean_order,
    avg(measured.log_torque) as mean_log_torque,
    var_pop(measured.placed) * count(*) as m2_order,
    var_pop(measured.log_torque) * count(*) as m2_log_torque,
    covar_pop(measured.placed, measured.log_torque) * count(*) as cross_order_log_torque,
from measured
group by
    measured.shop,
    measured.dyno,
    measured.engine,
    measured.session,
    measured.setup,
    measured.rpm;
