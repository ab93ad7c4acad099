"""Milliseconds a file for `read_log`, beside a bare parse of the same files.

Run on demand: .venv/bin/python tests/benchmarks/bench_ingest_parse.py [FILES] [ROWS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import click
import duckdb
import numpy as np
import polars as pl

from dynostats.ingest import load_channel_table, read_log

HEADER = (
    "Time [s],Engine Speed [rpm],Torque [N.m],Power [kW],MAP [kPa abs],Charge Temp [degC],Lambda,"
    "Oil Temp [degC],Throttle [%]"
)
SEED = 20250314
REPEATS = 3


def write_files(folder: Path, *, files: int, rows: int) -> list[Path]:
    """Write logs of one logger: one header, other numbers."""
    rng = np.random.default_rng(SEED)
    paths: list[Path] = []
    for number in range(files):
        speed = np.linspace(2000.0, 6500.0, rows)
        torque = 330.0 + 60.0 * np.sin((speed - 2000.0) / 1500.0) + rng.normal(size=rows)
        columns = [
            np.arange(rows) * 0.05,
            speed,
            torque,
            torque * speed * np.pi / 30_000.0,
            170.0 + rng.normal(size=rows),
            33.0 + rng.normal(size=rows),
            0.87 + 0.01 * rng.normal(size=rows),
            95.0 + rng.normal(size=rows),
            np.full(rows, 100.0),
        ]
        lines = [",".join(f"{value:.3f}" for value in row) for row in zip(*columns, strict=True)]
        path = folder / f"run{number:05d}.csv"
        path.write_text("\n".join([HEADER, *lines, ""]), encoding="utf-8")
        paths.append(path)
    return paths


def time_per_file(work: Callable[[], object], files: int) -> float:
    """Return the best of a few runs, in ms a file."""
    best = float("inf")
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return 1000.0 * best / files


def main() -> None:
    """Print the table."""
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rows = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write_files(folder, files=files, rows=rows)
        table = load_channel_table()
        titles = HEADER.split(",")
        schema = dict.fromkeys(titles, pl.Float64)

        def ours() -> None:
            for path in paths:
                read_log(path.read_bytes(), name=path.name, table=table)

        def polars() -> None:
            for path in paths:
                pl.read_csv(path.read_bytes(), schema=schema)

        def limit() -> None:
            with duckdb.connect() as con:
                con.execute(f"create table t as from read_csv('{folder}/*.csv')")

        click.echo(
            f"{files} files of {rows} rows, {len(titles)} columns; ms a file, best of {REPEATS}"
        )
        for title, work in (
            ("read_log, all checks", ours),
            ("polars read_csv, fixed schema", polars),
            ("duckdb read_csv of the glob into a table", limit),
        ):
            click.echo(f"{title:42s} {time_per_file(work, files):.3f}")


if __name__ == "__main__":
    main()
