-- question: What is written of each pull into a lake?
-- grain: one row a pull
-- parameter: shop varchar : key of the warehouse
-- column: shop varchar : key of the warehouse, part of the path; a pull's name is unique within it
-- column: dyno_key varchar : dyno in a form that any path can hold, part of the path
-- column: year bigint : year of the session's first start, of its storing where no start is known; part of the path
-- column: pull_no integer : number of the pull
-- column: pull varchar : its name
-- column: engine varchar
-- column: dyno varchar : null where the paperwork names none
-- column: session varchar : a stay on the dyno; its pulls lie in one partition
-- column: setup varchar
-- column: order integer : place in the session, from 1
-- column: state varchar : accepted or excluded
-- column: why varchar : reason for the state
-- column: rpm_low double [rpm] : lowest speed of the curve
-- column: rpm_high double [rpm] : highest speed of the curve
-- column: started timestamp : local time of the shop
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
-- column: ambient_humidity_pct double [%] : relative humidity
-- column: sha256 varchar : of the file it came from
-- column: row_count integer : samples
-- column: stored_at timestamp : UTC
with sessions as (
    select
        pulls.engine,
        pulls.dyno,
        pulls.session,
        coalesce(min(year(pulls.started)), min(year(pulls.stored_at))) as year,
    from pulls
    group by pulls.engine, pulls.dyno, pulls.session
)

select
    $shop::varchar as shop,
    case
        when pulls.dyno is null then 'none'
        else concat_ws(
            '-',
            'd',
            nullif(
                substr(trim(regexp_replace(lower(pulls.dyno), '[^a-z0-9]+', '-', 'g'), '-'), 1, 24),
                ''
            ),
            substr(sha256(pulls.dyno), 1, 8)
        )
    end as dyno_key,
    sessions.year,
    pulls.pull_no,
    pulls.pull,
    pulls.engine,
    pulls.dyno,
    pulls.session,
    pulls.setup,
    pulls.run_order as "order",
    pulls.state,
    pulls.why,
    pulls.rpm_low,
    pulls.rpm_high,
    pulls.started,
    pulls.ambient_pressure_kpa,
    pulls.ambient_temperature_c,
    pulls.ambient_humidity_pct,
    pulls.sha256,
    pulls.row_count,
    pulls.stored_at,
from pulls
inner join sessions
    on sessions.engine = pulls.engine
    and sessions.dyno is not distinct from pulls.dyno
    and sessions.session = pulls.session;
