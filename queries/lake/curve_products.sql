-- question: How do repeated pulls vary together over engine speed, in sums that can be merged?
-- grain: one row a shop, dyno, engine and pair of grid speeds, in any order
-- key: shop, dyno, engine, rpm, other_rpm
-- column: shop varchar
-- column: dyno varchar
-- column: engine varchar
-- column: rpm double [rpm]
-- column: other_rpm double [rpm] : not below the first
-- column: pulls bigint : accepted pulls that reach both speeds, of setups repeated in a session
-- column: df bigint : those less one a setup and session, less one a session whose order tells of a drift
-- column: cross_product double : of deviations of log torque from setup and session, freed of the session's drift
with measured as (
    select
        lake_curves.shop,
        lake_curves.dyno,
        lake_curves.engine,
        lake_curves.session,
        lake_curves.setup,
        lake_curves.pull,
        cast(lake_curves."order" as double) as place,
        cast(coalesce(lake_curves."order", 0) as double) as placed,
        lake_curves.rpm,
        ln(lake_curves.torque) as log_torque,
    from lake_curves
    where lake_curves.state = 'accepted'
        and lake_curves.torque > 0
),

by_setup as (
    select
        one.shop,
        one.dyno,
        one.engine,
        one.session,
        one.rpm,
        other.rpm as other_rpm,
        count(*) as pulls,
        count(*) - count(one.place) as unplaced,
        covar_pop(one.log_torque, other.log_torque) * count(*) as cross_product,
        covar_pop(one.placed, one.log_torque) * count(*) as along,
        covar_pop(one.placed, other.log_torque) * count(*) as other_along,
        var_pop(one.placed) * count(*) as spread,
    from measured as one
    inner join measured as other
        on other.shop = one.shop
        and other.pull = one.pull
    where other.rpm >= one.rpm
    group by
        one.shop, one.dyno, one.engine, one.session, one.setup, one.rpm, other.rpm
),

by_session as (
    select
        by_setup.shop,
        by_setup.dyno,
        by_setup.engine,
        by_setup.rpm,
        by_setup.other_rpm,
        sum(case when by_setup.pulls > 1 then by_setup.pulls else 0 end) as pulls,
        sum(by_setup.pulls - 1) as df,
        sum(by_setup.unplaced) as unplaced,
        sum(by_setup.cross_product) as cross_product,
        sum(by_setup.along) as along,
        sum(by_setup.other_along) as other_along,
        sum(by_setup.spread) as spread,
    from by_setup
    group by
        by_setup.shop,
        by_setup.dyno,
        by_setup.engine,
        by_setup.session,
        by_setup.rpm,
        by_setup.other_rpm
),

freed as (
    select
        by_session.shop,
        by_session.dyno,
        by_session.engine,
        by_session.rpm,
        by_session.other_rpm,
        by_session.pulls,
        case
            when by_session.unplaced = 0 and by_session.spread > 1e-9 then by_session.df - 1
            else by_session.df
        end as df,
        case
            when by_session.unplaced = 0 and by_session.spread > 1e-9
                then by_session.cross_product
                    - by_session.along * by_session.other_along / by_session.spread
            else by_session.cross_product
        end as cross_product,
    from by_session
)

select
    freed.shop,
    freed.dyno,
    freed.engine,
    freed.rpm,
    freed.other_rpm,
    cast(sum(freed.pulls) as bigint) as pulls,
    cast(sum(freed.df) as bigint) as df,
    sum(freed.cross_product) as cross_product,
from freed
group by freed.shop, freed.dyno, freed.engine, freed.rpm, freed.other_rpm;
