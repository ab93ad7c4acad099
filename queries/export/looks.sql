-- question: What is exported of the looks at declared studies?
-- grain: one row a look, oldest first
-- column: declaration_no integer : number of the declared question
-- column: look integer : from 1
-- column: taken_at timestamp : UTC
-- column: pairs integer : pairs of accepted pulls in
-- column: information double : share of what was planned
-- column: df double : degrees of freedom of the mean
-- column: level double : two-sided level tested at; 0 where nothing could be claimed
-- column: verdict varchar : what could be said at that level
-- column: decision varchar : what the look said to do
-- column: effect_pct double [%] : mean effect over the band
-- column: low_pct double [%] : at that level; null where nothing could be claimed
-- column: high_pct double [%] : upper bound at that level; null where nothing could be claimed
select
    looks.declaration_no,
    looks.look,
    looks.taken_at,
    looks.pairs,
    looks.information,
    looks.df,
    looks.level,
    looks.verdict,
    looks.decision,
    looks.effect_pct,
    looks.low_pct,
    looks.high_pct,
from looks
order by looks.declaration_no, looks.look;
