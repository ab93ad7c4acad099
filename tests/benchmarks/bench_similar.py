"""A search by shape beside reading the same curve rows bare.

The warehouse is generated in DuckDB: pulls of 60 grid speeds on fifty engines, curves that differ
in level and in shape. The bare read fetches pull, speed and torque of every curve row into numpy;
the search is the whole Python call, noise of the cell and table included. Both run in turn, in one
process; the ratios are of the medians. Target: at most 2 by
shape or level at 100,000 pulls.

Run on demand, on a computer that does nothing else:
.venv/bin/python tests/benchmarks/bench_similar.py [PULLS ...] [--repeats 7]
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import click
import duckdb

import dynostats as ds
from dynostats.warehouse.schema import create_warehouse
from dynostats.warehouse.wide import make_room

CHANNELS = ("torque", "manifold_pressure", "charge_temperature", "lambda")
PULLS = """
insert into pulls by name
select
    i::integer as pull_no, 'run' || i as file, md5(i::varchar) as sha256, 1 as part,
    0 as first_row, 300 as row_count, 'E' || (i * 50 // $pulls) as engine,
    'D' || (i * 50 // $pulls % 2) as dyno, 'S' || (i // 8) as session,
    if(i % 8 in (0, 3, 4, 7), 'before', 'after') as setup, (i % 8 + 1)::integer as run_order,
    timestamp '2015-01-05' + to_hours(i::integer) as started, 'accepted' as state,
    2000.0 as rpm_low, 4950.0 as rpm_high, 98.0 + 3 * random() as ambient_pressure_kpa,
    15.0 + 15 * random() as ambient_temperature_c, 40.0 + 20 * random() as ambient_humidity_pct,
    timestamp '2025-01-01' as stored_at, 'bench' as importer
from range(1, $pulls + 1) as numbers(i)
"""
CURVES = """
insert into stored_curves by name
select
    i::integer as pull_no, 2000.0 + 50 * j as rpm,
    (200 + 10 * (i * 50 // $pulls)) * exp(
        0.1 * sin(j / 15.0 + i * 50 // $pulls)
        + 0.004 * sin(i * 12.9898) + 0.003 * sin(j / 9.0 + i * 78.233)
    ) as torque,
    150 + 2 * sin(i * 1.7 + j / 20.0) as manifold_pressure,
    30 + 0.1 * j + 3 * sin(i * 0.37) as charge_temperature, 0.85 + 0.01 * sin(i * 2.1) as lambda
from range(1, $pulls + 1) as numbers(i), range(60) as speeds(j)
order by i, j
"""


def make_warehouse(path: Path, pulls: int) -> None:
    """Make a warehouse of generated pulls."""
    create_warehouse(path)
    with duckdb.connect(path) as connection:
        connection.execute("begin transaction")
        make_room(connection, "curves", CHANNELS)
        connection.execute(PULLS, {"pulls": pulls})
        connection.execute(CURVES, {"pulls": pulls})
        connection.execute("commit")


def read_bare(path: Path) -> int:
    """Read every curve row into numpy; return how many there are."""
    with duckdb.connect(path, read_only=True) as connection:
        rows = connection.execute("select pull_no, rpm, torque from stored_curves").fetchnumpy()
        return len(rows["rpm"])


def seconds(call: Callable[[], object]) -> float:
    """Return how long a call takes on the clock."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


@click.command()
@click.argument("sizes", nargs=-1, type=int, metavar="[PULLS]…")
@click.option("--repeats", default=7, show_default=True)
@click.option(
    "--warehouse",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A warehouse to read instead of generated ones.",
)
def main(sizes: tuple[int, ...], repeats: int, warehouse: Path | None) -> None:
    """Print the ratio of each search to the bare read."""
    with tempfile.TemporaryDirectory() as folder:
        for pulls in sizes or ((1_000, 10_000, 100_000) if warehouse is None else (0,)):
            path = warehouse or Path(folder) / f"{pulls}.duckdb"
            if warehouse is None:
                make_warehouse(path, pulls)
            compare(path, repeats)


def compare(path: Path, repeats: int) -> None:
    """Time the searches and the bare read in turn, and print."""
    wh = ds.open_warehouse(path)
    asked = wh.query("select pull from pulls where state = 'accepted' limit 1 offset 500").frame
    pull = asked["pull"][0]
    calls: dict[str, Callable[[], object]] = {
        "bare read": lambda: read_bare(path),
        "by shape": lambda: wh.similar(pull),
        "by level": lambda: wh.similar(pull, by="level"),
        "by two channels": lambda: wh.similar(
            pull, by="channels", channels=["manifold_pressure", "charge_temperature"]
        ),
        "by conditions": lambda: wh.similar(pull, by="conditions"),
    }
    times: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(repeats):
        for name, call in calls.items():
            times[name].append(seconds(call))
    bare = statistics.median(times["bare read"])
    click.echo(f"{read_bare(path):>12,} curve rows; bare read {1000 * bare:.0f} ms")
    for name, taken in times.items():
        middle = statistics.median(taken)
        click.echo(
            f"  {name:<16} {1000 * middle:8.0f} ms  {middle / bare:6.2f} times the bare read"
        )


if __name__ == "__main__":
    main()
