-- question: Which studies does the warehouse hold: what was changed, from what, and of which kind was it?
-- grain: one row an engine, baseline and candidate with accepted pulls of both
-- key: engine, baseline, candidate
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: kind varchar = null : kind of change; null for every kind
-- column: engine varchar
-- column: baseline varchar : what the candidate was changed from, or was declared against
-- column: candidate varchar
-- column: changed varchar : as the sheet says
-- column: kind varchar : that up to its first colon, in small letters; null where nothing is said
-- column: declaration_no integer : the last question declared of it; null for none
-- column: claimed varchar : verdict of the last look at that question
-- column: claimed_at timestamp : UTC
-- column: baseline_pulls bigint : accepted
-- column: candidate_pulls bigint : accepted
-- column: shared_sessions bigint : sessions with accepted pulls of both
-- column: first_started timestamp : of the candidate; local time of the shop
-- column: last_started timestamp : likewise
with pairs as (
    select
        setups.engine,
        setups.relative_to as baseline,
        setups.setup as candidate,
    from setups
    where setups.relative_to is not null
    union
    select
        declarations.engine,
        declarations.baseline,
        declarations.candidate,
    from declarations
),

last_declared as (
    select
        declarations.engine,
        declarations.baseline,
        declarations.candidate,
        max(declarations.declaration_no) as declaration_no,
    from declarations
    group by declarations.engine, declarations.baseline, declarations.candidate
),

last_look as (
    select
        looks.declaration_no,
        arg_max(looks.verdict, looks.look) as claimed,
        max(looks.taken_at) as claimed_at,
    from looks
    group by looks.declaration_no
),

accepted as (
    select
        pulls.engine,
        pulls.setup,
        count(*) as pulls,
        list(distinct concat(coalesce(pulls.dyno, ''), ' / ', pulls.session)) as sessions,
        min(pulls.started) as first_started,
        max(pulls.started) as last_started,
    from pulls
    where pulls.state = 'accepted'
    group by pulls.engine, pulls.setup
),

described as (
    select
        setups.engine,
        setups.setup,
        setups.changed,
        nullif(
            regexp_replace(trim(split_part(lower(setups.changed), ':', 1)), '\s+', ' ', 'g'), ''
        ) as kind,
    from setups
)

select
    pairs.engine,
    pairs.baseline,
    pairs.candidate,
    described.changed,
    described.kind,
    last_declared.declaration_no,
    last_look.claimed,
    last_look.claimed_at,
    base.pulls as baseline_pulls,
    changed.pulls as candidate_pulls,
    len(list_intersect(base.sessions, changed.sessions)) as shared_sessions,
    changed.first_started,
    changed.last_started,
from pairs
inner join accepted as base
    on base.engine = pairs.engine
    and base.setup = pairs.baseline
inner join accepted as changed
    on changed.engine = pairs.engine
    and changed.setup = pairs.candidate
left join described
    on described.engine = pairs.engine
    and described.setup = pairs.candidate
left join last_declared
    on last_declared.engine = pairs.engine
    and last_declared.baseline = pairs.baseline
    and last_declared.candidate = pairs.candidate
left join last_look on last_look.declaration_no = last_declared.declaration_no
where pairs.baseline != pairs.candidate
    and ($engine is null or pairs.engine = $engine)
    and ($kind is null or described.kind = lower($kind))
order by changed.first_started nulls last, pairs.engine, pairs.baseline, pairs.candidate;
