-- question: What are the curves of the chosen pulls?
-- grain: one row a pull and speed of the grid
-- parameter: pull_nos integer[] = null : numbers of the pulls, whatever their state; null for every accepted pull
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label
-- parameter: session varchar = null : session label
-- parameter: setup varchar = null : setup label
-- column: pull varchar
-- column: rpm double [rpm]
with chosen as (
    select
        pulls.pull_no,
        pulls.pull,
    from pulls
    where ($engine is null or pulls.engine = $engine)
        and ($dyno is null or pulls.dyno = $dyno)
        and ($session is null or pulls.session = $session)
        and ($setup is null or pulls.setup = $setup)
        and if(
            $pull_nos is null,
            pulls.state = 'accepted',
            pulls.pull_no in (select unnest($pull_nos::integer[]))
        )
)

select
    chosen.pull,
    curves.* exclude (pull_no),
from curves
inner join chosen on chosen.pull_no = curves.pull_no
order by curves.pull_no, curves.rpm;
