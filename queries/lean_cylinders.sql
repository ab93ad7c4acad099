-- question: In which pulls did one cylinder run leaner than the others of its engine?
-- grain: one row a pull and cylinder that was leaner by more than the limit somewhere, the leanest first
-- key: pull, cylinder
-- parameter: least double = 0.03 : lambda above the mean of the other cylinders
-- parameter: engine varchar = null : engine label; null for every engine
-- column: pull varchar
-- column: engine varchar
-- column: setup varchar
-- column: state varchar : accepted or excluded
-- column: cylinder integer
-- column: worst_excess double : lambda above the mean of the other cylinders, at most
-- column: worst_rpm double [rpm] : where
-- column: worst_lambda double : the cylinder's lambda there
-- column: from_rpm double [rpm] : lowest speed beyond the limit
-- column: to_rpm double [rpm] : highest
with cylinders as (
    unpivot (
        select
            curves.pull_no,
            curves.rpm,
            columns('lambda_\d+'),
        from curves
    )
    on columns('lambda_\d+')
    into name channel value value
),

compared as (
    select
        cylinders.pull_no,
        cylinders.rpm,
        regexp_extract(cylinders.channel, '\d+')::integer as cylinder,
        cylinders.value,
        count(*) over at_speed as known,
        (sum(cylinders.value) over at_speed - cylinders.value)
            / nullif(count(*) over at_speed - 1, 0) as others,
    from cylinders
    window at_speed as (partition by cylinders.pull_no, cylinders.rpm)
),

leaner as (
    select
        compared.pull_no,
        compared.cylinder,
        max(compared.value - compared.others) as worst_excess,
        arg_max(compared.rpm, compared.value - compared.others) as worst_rpm,
        arg_max(compared.value, compared.value - compared.others) as worst_lambda,
        min(compared.rpm) as from_rpm,
        max(compared.rpm) as to_rpm,
    from compared
    where compared.known > 1
        and compared.value - compared.others > $least
    group by compared.pull_no, compared.cylinder
)

select
    pulls.pull,
    pulls.engine,
    pulls.setup,
    pulls.state,
    leaner.cylinder,
    leaner.worst_excess,
    leaner.worst_rpm,
    leaner.worst_lambda,
    leaner.from_rpm,
    leaner.to_rpm,
from leaner
inner join pulls on pulls.pull_no = leaner.pull_no
where $engine is null
    or pulls.engine = $engine
order by leaner.worst_excess desc, pulls.pull_no, leaner.cylinder;
