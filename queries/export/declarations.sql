-- question: What is exported of the questions declared before their pulls?
-- grain: one row a declaration
-- column: declaration_no integer : number of the declared question
-- column: engine varchar : engine label, as the sheet or an amendment says
-- column: dyno varchar : dyno label; null where none is named
-- column: baseline varchar : setup before the change
-- column: candidate varchar : setup with the change
-- column: quantity varchar : power or torque
-- column: band_low double [rpm] : null for what every pull covers
-- column: band_high double [rpm] : last engine speed compared; null: what every pull covers
-- column: correction varchar : null for what the sheets declare
-- column: margin_pct double [%] : smallest change that matters
-- column: alpha double : chance of any false claim accepted, over all looks
-- column: effect_pct double [%] : effect that must be seen
-- column: power double : chance of seeing it
-- column: pulls_per_setup integer : pulls planned of each setup
-- column: looks integer : looks planned
-- column: rule varchar : how alpha is spread over the looks
-- column: seed integer : seed of the run order
-- column: who varchar : who said so
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
order by declarations.declaration_no;
