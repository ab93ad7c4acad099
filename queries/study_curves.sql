-- question: What are the torque and power curves of every accepted pull of some setups?
-- grain: one row a pull and speed of the grid
-- key: pull, rpm
-- parameter: engine varchar : engine label
-- parameter: setups varchar[] = null : setup labels; null for every setup of the engine
-- column: pull varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: rpm double [rpm]
-- column: torque double [N.m]
-- column: power double [kW] : from torque and speed, P = T n pi / 30000
with chosen as (
    select
        pulls.pull_no,
        pulls.pull,
        pulls.dyno,
        pulls.session,
        pulls.setup,
        pulls.run_order,
    from pulls
    where pulls.state = 'accepted'
        and pulls.engine = $engine
        and ($setups is null or list_contains($setups::varchar[], pulls.setup))
)

select
    chosen.pull,
    chosen.dyno,
    chosen.session,
    chosen.setup,
    chosen.run_order as "order",
    curves.rpm,
    curves.torque,
    curves.torque * curves.rpm * pi() / 30000 as power,
from chosen
inner join curves on curves.pull_no = chosen.pull_no
order by chosen.pull_no, curves.rpm;
