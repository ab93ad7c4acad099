-- question: What is exported of the samples? (the channels follow, as the channel table orders them)
-- grain: one row a pull and sample, from 0 in file order
-- column: pull varchar : name of the pull, P and a number
-- column: sample integer : number of the sample, from 0 in file order
select
    'P' || samples.pull_no::varchar as pull,
    samples.* exclude (pull_no),
from samples
order by samples.pull_no, samples.sample;
