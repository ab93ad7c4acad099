-- question: By which key does a lake tell this warehouse from others? (its first pull's file and storing time)
-- grain: one row; none in an empty warehouse
-- column: shop varchar
select 's-' || substr(sha256(pulls.sha256 || ' ' || pulls.stored_at::varchar), 1, 16) as shop
from pulls
order by pulls.pull_no
limit 1;
