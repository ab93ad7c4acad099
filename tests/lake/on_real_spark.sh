#!/usr/bin/env bash
# The tests of a lake once more, on Spark itself: pyspark from the registry in a throw-away environment,
# Java from Debian (apt-get install openjdk-17-jre-headless). Needs the extra lake in .venv. Takes a
# minute, and 600 MB of disk.
# Run: bash tests/lake/on_real_spark.sh          (from the top folder)
set -euo pipefail

work=$(mktemp -d)
server=
finish() {
    [ -z "$server" ] || kill "$server" 2>/dev/null || true
    rm -rf "$work"
}
trap finish EXIT

python3 -m venv "$work/spark"
"$work/spark/bin/pip" install --quiet "pyspark==$(.venv/bin/python -c 'import pyspark; print(pyspark.__version__)')"
home=$("$work/spark/bin/python" -c 'import pyspark; print(pyspark.__path__[0])')
SPARK_HOME=$home "$home/bin/spark-submit" --master 'local[2]' --driver-memory 2g \
    --conf spark.connect.grpc.binding.port=15002 --conf spark.sql.shuffle.partitions=4 \
    --class org.apache.spark.sql.connect.service.SparkConnectServer spark-internal \
    >"$work/server.log" 2>&1 &
server=$!
for _ in $(seq 60); do
    grep -q 'Spark Connect server started' "$work/server.log" && break
    sleep 1
done
grep 'Spark Connect server started' "$work/server.log" || { tail -n 40 "$work/server.log"; exit 1; }
DYNOSTATS_SPARK=sc://localhost:15002 .venv/bin/pytest -n 0 tests/lake/test_spark.py -v
.venv/bin/python tests/benchmarks/bench_lake.py --spark sc://localhost:15002
