-- question: Which pulls do not have all the samples they were stored with?
-- grain: one row a fault; none in a sound warehouse
-- column: subject varchar
-- column: fault varchar
with counted as (
    select
        samples.pull_no,
        count(*) as rows,
        count(distinct samples.sample) as places,
        max(samples.sample) as last,
    from samples
    group by samples.pull_no
)

select
    pulls.pull as subject,
    'it was stored with ' || pulls.row_count || ' samples and has ' || coalesce(counted.rows, 0)
        as fault,
from pulls
left join counted on counted.pull_no = pulls.pull_no
where pulls.row_count <> coalesce(counted.rows, 0)
    or counted.places <> counted.rows
    or counted.last <> counted.rows - 1
order by pulls.pull_no;
