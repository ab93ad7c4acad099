-- question: Which questions were declared before their pulls, and how did the last look end?
-- grain: one row a declaration, oldest first
-- key: declaration_no
-- column: declaration_no integer
-- column: engine varchar
-- column: baseline varchar
-- column: candidate varchar
-- column: quantity varchar
-- column: band_low double [rpm] : null for what every pull covers
-- column: band_high double [rpm]
-- column: margin_pct double [%]
-- column: alpha double
-- column: effect_pct double [%] : that must be seen
-- column: pulls_per_setup integer
-- column: looks_planned integer
-- column: looks_taken bigint
-- column: decision varchar : of the last look; null before the first
-- column: who varchar
-- column: declared_at timestamp : UTC
with taken as (
    select
        looks.declaration_no,
        count(*) as looks_taken,
        arg_max(looks.decision, looks.look) as decision,
    from looks
    group by looks.declaration_no
)

select
    declarations.declaration_no,
    declarations.engine,
    declarations.baseline,
    declarations.candidate,
    declarations.quantity,
    declarations.band_low,
    declarations.band_high,
    declarations.margin_pct,
    declarations.alpha,
    declarations.effect_pct,
    declarations.pulls_per_setup,
    declarations.looks as looks_planned,
    coalesce(taken.looks_taken, 0) as looks_taken,
    taken.decision,
    declarations.who,
    declarations.declared_at,
from declarations
left join taken on taken.declaration_no = declarations.declaration_no
order by declarations.declaration_no;
