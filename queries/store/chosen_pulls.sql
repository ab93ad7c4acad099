-- question: Which pulls are chosen by their labels, or by their numbers?
-- grain: one row a pull, in order
-- parameter: pull_nos integer[] = null : numbers of the pulls, whatever their state; null for every accepted pull
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label
-- parameter: session varchar = null : session label
-- parameter: setup varchar = null : setup label
-- column: pull_no integer : number of the pull
select pulls.pull_no
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
order by pulls.pull_no;
