-- question: What is exported of the history of corrections?
-- grain: one row a correction, oldest first
-- column: amendment_no integer : number of the correction, in order
-- column: pull varchar : null when it corrects what is known of a setup
-- column: engine varchar : of the setup corrected
-- column: setup varchar : likewise
-- column: field varchar : what was corrected
-- column: old_value varchar : what stood there before
-- column: new_value varchar : what stands there since
-- column: why varchar : the reason given
-- column: who varchar : who said so
-- column: amended_at timestamp : UTC
select
    amendments.amendment_no,
    'P' || amendments.pull_no::varchar as pull,
    amendments.engine,
    amendments.setup,
    amendments.field,
    amendments.old_value,
    amendments.new_value,
    amendments.why,
    amendments.who,
    amendments.amended_at,
from amendments
order by amendments.amendment_no;
