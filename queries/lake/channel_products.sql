-- question: How do torque, boost, charge temperature and mixture vary together, in numbers that can be merged?
-- grain: one row a shop, dyno, engine, session, setup and speed of the grid, in any order
-- key: shop, dyno, engine, session, setup, rpm
-- column: shop varchar
-- column: dyno varchar
-- column: engine varchar
-- column: session varchar
-- column: setup varchar
-- column: rpm double [rpm]
-- column: n bigint : accepted pulls that have all four channels at this speed
-- column: mean_log_torque double : mean of the natural log of torque in N.m
-- column: mean_log_boost double : of absolute manifold pressure in kPa
-- column: mean_log_charge double : of absolute charge temperature in K
-- column: mean_log_lambda double : of lambda
-- column: m2_log_torque double : sum of squared deviations from the mean
-- column: m2_log_boost double : likewise
-- column: m2_log_charge double : likewise
-- column: m2_log_lambda double : likewise
-- column: cross_log_torque_log_boost double : sum of products of deviations from the means
-- column: cross_log_torque_log_charge double : likewise
-- column: cross_log_torque_log_lambda double : likewise
-- column: cross_log_boost_log_charge double : likewise
-- column: cross_log_boost_log_lambda double : likewise
-- column: cross_log_charge_log_lambda double : likewise
with measured as (
    select
        lake_curves.shop,
        lake_curves.dyno,
        lake_curves.engine,
        lake_curves.session,
        lake_curves.setup,
        lake_curves.rpm,
        ln(lake_curves.torque) as log_torque,
        ln(lake_curves.manifold_pressure) as log_boost,
        ln(lake_curves.charge_temperature + 273.15) as log_charge,
        ln(lake_curves."lambda") as log_lambda,
    from lake_curves
    where lake_curves.state = 'accepted'
        and lake_curves.torque > 0
        and lake_curves.manifold_pressure > 0
        and lake_curves.charge_temperature > -273.15
        and lake_curves."lambda" > 0
)

select
    measured.shop,
    measured.dyno,
    measured.engine,
    measured.session,
    measured.setup,
    measured.rpm,
    count(*) as n,
    avg(measured.log_torque) as mean_log_torque,
    avg(measured.log_boost) as mean_log_boost,
    avg(measured.log_charge) as mean_log_charge,
    avg(measured.log_lambda) as mean_log_lambda,
    var_pop(measured.log_torque) * count(*) as m2_log_torque,
    var_pop(measured.log_boost) * count(*) as m2_log_boost,
    var_pop(measured.log_charge) * count(*) as m2_log_charge,
    var_pop(measured.log_lambda) * count(*) as m2_log_lambda,
    covar_pop(measured.log_torque, measured.log_boost) * count(*) as cross_log_torque_log_boost,
    covar_pop(measured.log_torque, measured.log_charge) * count(*) as cross_log_torque_log_charge,
    covar_pop(measured.log_torque, measured.log_lambda) * count(*) as cross_log_torque_log_lambda,
    covar_pop(measured.log_boost, measured.log_charge) * count(*) as cross_log_boost_log_charge,
    covar_pop(measured.log_boost, measured.log_lambda) * count(*) as cross_log_boost_log_lambda,
    covar_pop(measured.log_charge, measured.log_lambda) * count(*) as cross_log_charge_log_lambda,
from measured
group by
    measured.shop,
    measured.dyno,
    measured.engine,
    measured.session,
    measured.setup,
    measured.rpm;
