-- question: How much pressure does the charge cooler of each setup lose? (compressor outlet less manifold)
-- grain: one row an engine, dyno and setup with both pressures, the largest loss first
-- key: engine, dyno, setup
-- parameter: low double = null : lowest engine speed, rpm
-- parameter: high double = null : highest engine speed, rpm
-- column: engine varchar
-- column: dyno varchar
-- column: setup varchar
-- column: pulls bigint : accepted pulls with both pressures
-- column: mean_loss_kpa double [kPa] : mean over pulls of the mean over their speeds
-- column: sd_loss_kpa double [kPa] : sample standard deviation between pulls; null for one pull
-- column: mean_loss_pct double [%] : of the absolute pressure at the compressor outlet
with losses as (
    select
        curves.pull_no,
        avg(curves.compressor_out_pressure - curves.manifold_pressure) as loss,
        avg(1 - curves.manifold_pressure / curves.compressor_out_pressure) as share,
    from curves
    where curves.compressor_out_pressure > 0
        and curves.manifold_pressure is not null
        and ($low is null or curves.rpm >= $low)
        and ($high is null or curves.rpm <= $high)
    group by curves.pull_no
)

select
    pulls.engine,
    pulls.dyno,
    pulls.setup,
    count(*) as pulls,
    avg(losses.loss) as mean_loss_kpa,
    stddev_samp(losses.loss) as sd_loss_kpa,
    100 * avg(losses.share) as mean_loss_pct,
from losses
inner join pulls on pulls.pull_no = losses.pull_no
where pulls.state = 'accepted'
group by pulls.engine, pulls.dyno, pulls.setup
order by mean_loss_kpa desc, pulls.engine, pulls.dyno, pulls.setup;
