"""A cluster-robust regression on a million rows beside statsmodels, and `attribute` beside imports.

The first: a million rows lie in a DuckDB table, one a pull and engine speed, pulls the clusters.
Ours takes the sums of products in the database and fits from them; statsmodels gets the columns as
arrays and fits by least squares with the same errors (G (N - 1) / (G - 1)(N - k), which it has; CR2
it has not, ours is timed with it as well). Its columns are given about their means, for as they lie
it keeps only ten digits. Coefficients and standard errors must agree to 1e-10.
Target: at least 8 times faster, in turn, with one thread of linear algebra each. The second column
of statsmodels' times leaves out what it takes to read the table into arrays.

The second: the whole `attribute` command in a warehouse of 10,000 pulls, as bench_compare.py has
it. Target: at most 2 times a Python that only imports the same libraries.

Run on demand, on a computer that does nothing else:
.venv/bin/python tests/benchmarks/bench_regression.py [--rows 1000000] [--pulls 10000]
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import click
import duckdb
import numpy as np
import polars as pl
import statsmodels.api as sm
from bench_compare import RUN, make_warehouse, seconds

from dynostats.analysis.regression import fit_clusters
from dynostats.analysis.regression.of_sums import Summed
from dynostats.warehouse.sums import sum_rows

SPEEDS = 64
TERMS = ("log_rpm", "log_manifold_pressure", "log_charge_temperature", "log_lambda")
# What `attribute` loads, found by looking at sys.modules after it ran.
IMPORTS = "import click, polars, numpy, duckdb, scipy.stats"


def make_table(rows: int) -> duckdb.DuckDBPyConnection:
    """Return a database with a table of pulls whose errors each pull has in common."""
    rng = np.random.default_rng(7)
    pulls = rows // SPEEDS
    pull = np.repeat(np.arange(pulls), SPEEDS)
    columns = {
        "log_rpm": np.log(np.tile(np.linspace(2000, 6000, SPEEDS), pulls)),
        "log_manifold_pressure": np.log(180) + rng.normal(0, 0.05, pulls)[pull],
        "log_charge_temperature": np.log(320) + rng.normal(0, 0.02, pulls)[pull],
        "log_lambda": np.log(0.85) + rng.normal(0, 0.02, pulls * SPEEDS),
    }
    noise = rng.normal(0, 0.004, pulls)[pull] + rng.normal(0, 0.002, pulls * SPEEDS)
    torque = columns["log_manifold_pressure"] - 0.6 * columns["log_charge_temperature"]
    frame = pl.DataFrame({"pull_no": pull, **columns, "log_torque": 3.0 + torque + noise})
    connection = duckdb.connect()
    with tempfile.TemporaryDirectory() as name:
        frame.write_parquet(Path(name) / "rows.parquet")
        connection.execute(f"create table rows as from '{name}/rows.parquet'")
    return connection


def ours(connection: duckdb.DuckDBPyConnection, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Return slopes and standard errors from sums that the database takes."""
    found = sum_rows(
        connection.table("rows"), columns=TERMS, response="log_torque", cluster="pull_no"
    )
    sums = Summed(frame=found.frame, centres=found.centres, terms=TERMS).whole()
    fit = fit_clusters(sums, kind=kind)
    return fit.coefficients[1:], fit.standard_errors[1:]


def read(connection: duckdb.DuckDBPyConnection) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the table as statsmodels wants it."""
    table = connection.table("rows").fetchnumpy()
    terms = [table[name] - table[name].mean() for name in TERMS]
    columns = np.column_stack([np.ones(len(table["pull_no"])), *terms])
    return columns, table["log_torque"], table["pull_no"]


def reference(columns, response, pull) -> tuple[np.ndarray, np.ndarray]:
    """Return the same by statsmodels."""
    fit = sm.OLS(response, columns).fit(cov_type="cluster", cov_kwds={"groups": pull})
    return fit.params[1:], fit.bse[1:]


def timed(work: Callable[[], object]) -> float:
    """Return how long it takes, s."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare_regressions(rows: int, repeats: int) -> None:
    """Print times, ratios and the largest differences."""
    connection = make_table(rows)
    arrays = read(connection)
    (slopes, errors), (their_slopes, their_errors) = ours(connection, "CR1S"), reference(*arrays)
    apart = (np.abs(slopes / their_slopes - 1.0).max(), np.abs(errors / their_errors - 1.0).max())
    runs = [
        (
            timed(lambda: ours(connection, "CR1S")),
            timed(lambda: ours(connection, "CR2")),
            timed(lambda: reference(*read(connection))),
            timed(lambda: reference(*arrays)),
        )
        for _ in range(repeats)
    ]
    mine, adjusted, whole, fitted = (statistics.median(times) for times in zip(*runs, strict=True))
    click.echo("| rows | pulls | ours, s | ours with CR2, s | statsmodels, s | its fit alone, s |")
    click.echo("| ---: | ---: | ---: | ---: | ---: | ---: |")
    click.echo(
        f"| {rows} | {rows // SPEEDS} | {mine:.3f} | {adjusted:.3f} | {whole:.2f} | {fitted:.2f} |"
    )
    click.echo("")
    click.echo(
        f"Faster by {whole / mine:.1f} times, beside its fit alone by {fitted / mine:.1f} times; "
        f"with CR2 and its degrees of freedom by {whole / adjusted:.1f} and "
        f"{fitted / adjusted:.1f} times."
    )
    click.echo(
        f"Largest relative difference: coefficients {apart[0]:.1e}, standard errors {apart[1]:.1e}."
    )


def compare_attribute(pulls: int, repeats: int) -> None:
    """Print the whole command's time against importing its libraries."""
    with tempfile.TemporaryDirectory() as name:
        path = make_warehouse(Path(name), pulls)
        middle = pulls // len(RUN) // 2
        ask = ["attribute", "--baseline", f"before {middle}", "--candidate", f"after {middle}"]
        command = [sys.executable, "-m", "dynostats", "--warehouse", str(path), *ask, "--json"]
        both = [
            (seconds([sys.executable, "-c", IMPORTS]), seconds(command)) for _ in range(repeats)
        ]
    (bare, bare_cpu), (wall, cpu) = (
        tuple(statistics.median(one[which][at] for one in both) for at in (0, 1))
        for which in (0, 1)
    )
    click.echo("| pulls | imports, s | attribute, s | ratio | ratio of processor time |")
    click.echo("| ---: | ---: | ---: | ---: | ---: |")
    click.echo(f"| {pulls} | {bare:.2f} | {wall:.2f} | {wall / bare:.2f} | {cpu / bare_cpu:.2f} |")


@click.command()
@click.option("--rows", default=1_000_000, help="Rows of the regression.")
@click.option("--pulls", default=10_000, help="Pulls of the warehouse.")
@click.option("--repeats", default=7, help="How often each is run.")
def main(rows: int, pulls: int, repeats: int) -> None:
    """Print both tables."""
    compare_regressions(rows, repeats)
    click.echo("")
    compare_attribute(pulls, repeats)


if __name__ == "__main__":
    main()
