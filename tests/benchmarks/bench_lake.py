"""The reductions of a lake in DuckDB and on a Spark Connect server: time, and how far they agree.

Makes a lake of a generated warehouse. The server is pysail in this process, or the one named.

Run on demand: .venv/bin/python tests/benchmarks/bench_lake.py [PULLS] [--spark sc://localhost:15002]
(`bash tests/lake/on_real_spark.sh` runs it on Spark itself.) Needs the extra lake.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import click
import polars as pl
from scale_warehouse import make_scale_warehouse

import dynostats as ds
from dynostats.warehouse.spark import reduce_on_spark, spark_session

KEYS = ("shop", "dyno", "engine", "session", "setup", "rpm", "other_rpm")


def apart(one: pl.DataFrame, other: pl.DataFrame) -> float:
    """Return the largest difference of any number, over the largest of its column."""
    by = [name for name in KEYS if name in one.columns]
    one, other = one.sort(by), other.sort(by)
    assert one.select(by).equals(other.select(by))
    return max(
        float((one[name] - other[name]).abs().max()) / float(one[name].abs().max())
        for name in one.columns
        if name not in by
    )


def compare(folder: Path, url: str) -> None:
    """Print a row a reduction."""
    local = ds.open_lake(folder)
    click.echo("| reduction | rows | DuckDB, s | Spark, s | largest difference |")
    click.echo("| --- | ---: | ---: | ---: | ---: |")
    with spark_session(url) as session:
        click.echo(f"server: {url}, Spark {session.version}", err=True)
        for name in local.reductions:
            reduce_on_spark(session, str(folder), name)  # once before, so that code is compiled
            start = time.perf_counter()
            expected = local.reduce(name)
            middle = time.perf_counter()
            found = reduce_on_spark(session, str(folder), name)
            end = time.perf_counter()
            click.echo(
                f"| {name} | {found.height:,} | {middle - start:.2f} | {end - middle:.2f} "
                f"| {apart(expected, found):.0e} |"
            )


@click.command()
@click.argument("pulls", default=1000)
@click.option("--spark", help="A Spark Connect server; pysail in this process when none is named.")
def main(pulls: int, spark: str | None) -> None:
    """Make a lake of PULLS pulls, reduce it twice, and print the table."""
    with tempfile.TemporaryDirectory() as name:
        path = make_scale_warehouse(Path(name) / "shop.duckdb", pulls)
        folder = ds.open_warehouse(path).export(Path(name) / "lake", layout="lake")
        if spark is not None:
            compare(folder, spark)
            return
        from pysail.spark import SparkConnectServer  # noqa: PLC0415 - only where no server is named

        server = SparkConnectServer()
        server.start(background=True)
        compare(folder, f"sc://localhost:{server.listening_address[1]}")
        server.stop()


if __name__ == "__main__":
    main()
