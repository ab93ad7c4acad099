-- question: What did each look at a declared study say?
-- grain: one row a look, oldest first
-- key: declaration_no, look
-- parameter: number integer = null : one declaration; null for all
-- parameter: as_of timestamp = null : as it stood at that past time (UTC); null for now
-- column: declaration_no integer
-- column: look integer : from 1
-- column: taken_at timestamp : UTC
-- column: pairs integer : pairs of accepted pulls in
-- column: information double : share of what was planned
-- column: df double : degrees of freedom of the mean
-- column: level double : two-sided level tested at; 0 where nothing could be claimed
-- column: verdict varchar
-- column: decision varchar : what the look said to do
-- column: effect_pct double [%]
-- column: low_pct double [%] : at that level; null where nothing could be claimed
-- column: high_pct double [%]
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
where ($number is null or looks.declaration_no = $number)
    and ($as_of is null or looks.taken_at <= $as_of)
order by looks.declaration_no, looks.look;
