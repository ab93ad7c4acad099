-- question: What are the samples of one pull? (channels of the channel table)
-- grain: one row a sample, in file order
-- parameter: pull_no integer : number of the pull
-- column: sample integer : from 0
select samples.* exclude (pull_no)
from samples
where samples.pull_no = $pull_no
order by samples.sample;
