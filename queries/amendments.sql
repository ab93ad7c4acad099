-- question: What was corrected, by whom, when and why?
-- grain: one row a correction, oldest first
-- key: amended_at, pull, engine, setup, field
-- parameter: pull varchar = null : one pull; null for all
-- parameter: as_of timestamp = null : as it stood at that past time (UTC); null for now
-- column: amended_at timestamp : UTC
-- column: who varchar
-- column: pull varchar : null when it corrects what is known of a setup
-- column: engine varchar : of the setup corrected
-- column: setup varchar : likewise
-- column: field varchar
-- column: old_value varchar
-- column: new_value varchar
-- column: why varchar
select
    amendments.amended_at,
    amendments.who,
    'P' || amendments.pull_no::varchar as pull,
    amendments.engine,
    amendments.setup,
    amendments.field,
    amendments.old_value,
    amendments.new_value,
    amendments.why,
from amendments
where ($pull is null or 'P' || amendments.pull_no::varchar = $pull)
    and ($as_of is null or amendments.amended_at <= $as_of)
order by amendments.amendment_no;
