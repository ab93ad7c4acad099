-- question: Which questions were declared, everything of them?
-- grain: one row a declaration
-- key: declaration_no
-- parameter: number integer = null : one declaration; null for all
-- parameter: as_of timestamp = null : as it stood at that past time (UTC); null for now
-- column: declaration_no integer
-- column: engine varchar
-- column: dyno varchar
-- column: baseline varchar
-- column: candidate varchar
-- column: quantity varchar
-- column: band_low double [rpm] : null for what every pull covers
-- column: band_high double [rpm]
-- column: correction varchar : null for what the sheets declare
-- column: margin_pct double [%]
-- column: alpha double
-- column: effect_pct double [%]
-- column: power double
-- column: pulls_per_setup integer
-- column: looks integer
-- column: rule varchar
-- column: seed integer
-- column: who varchar
-- column: declared_at timestamp : UTC
select
    declarations.declaration_no,
    declarations.engine,
    declarations.dyno,
    declarations.baseline,
    declarations.candidate,
    declarations.quantity,
    declarations.band_low,
    declarations.band_high,
    declarations.correction,
    declarations.margin_pct,
    declarations.alpha,
    declarations.effect_pct,
    declarations.power,
    declarations.pulls_per_setup,
    declarations.looks,
    declarations.rule,
    declarations.seed,
    declarations.who,
    declarations.declared_at,
from declarations
where ($number is null or declarations.declaration_no = $number)
    and ($as_of is null or declarations.declared_at <= $as_of)
order by declarations.declaration_no;
