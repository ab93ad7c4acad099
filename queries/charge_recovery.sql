-- question: Did the charge temperature come back between the pulls of a session?
-- grain: one row a pull with a charge temperature, session by session in the order run
-- key: pull
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: session varchar = null : session label; null for every session
-- column: pull varchar
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: pause_min double [min] : from the start of the pull before; null where a start is not known
-- column: start_degc double [degC] : charge temperature at the lowest speed of the pull
-- column: rise_k double [K] : from there to the highest charge temperature of the pull
-- column: above_first_k double [K] : start above that of the session's first pull: what did not come back
with heated as (
    select
        curves.pull_no,
        arg_min(curves.charge_temperature, curves.rpm) as start_degc,
        max(curves.charge_temperature) as highest,
    from curves
    where curves.charge_temperature is not null
    group by curves.pull_no
),

placed as (
    select
        pulls.pull_no,
        pulls.pull,
        pulls.engine,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        pulls.run_order,
        pulls.started,
        heated.start_degc,
        heated.highest,
    from pulls
    left join heated on heated.pull_no = pulls.pull_no
    where ($engine is null or pulls.engine = $engine)
        and ($session is null or pulls.session = $session)
),

followed as (
    select
        placed.*,
        date_diff('second', lag(placed.started) over in_session, placed.started) / 60.0 as pause_min,
        first_value(placed.start_degc ignore nulls) over (
            in_session
            rows between unbounded preceding and unbounded following
        ) as first_degc,
    from placed
    window in_session as (
        partition by placed.engine, placed.dyno, placed.session
        order by placed.run_order nulls last, placed.started, placed.pull_no
    )
)

select
    followed.pull,
    followed.engine,
    followed.dyno,
    followed.session,
    followed.setup,
    followed.run_order as "order",
    followed.pause_min::double as pause_min,
    followed.start_degc,
    followed.highest - followed.start_degc as rise_k,
    followed.start_degc - followed.first_degc as above_first_k,
from followed
where followed.start_degc is not null
order by
    followed.engine,
    followed.dyno,
    followed.session,
    followed.run_order nulls last,
    followed.started,
    followed.pull_no;
