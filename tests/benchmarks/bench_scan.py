"""What a lazy frame reads of the warehouse: one channel of one setup beside everything.

The warehouse is that of bench_similar.py. Each frame is collected in turn, in one process; times
are medians, bytes those of the batches that the storage engine handed over. Limits: the few rows
cost at most a tenth of the bytes of all, and less time.

Run on demand: .venv/bin/python tests/benchmarks/bench_scan.py [PULLS] [--repeats 7]
"""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path
from unittest.mock import patch

import click
import polars as pl
from bench_similar import make_warehouse, seconds

import dynostats as ds
from dynostats.warehouse.scanning import _Reader


@click.command()
@click.argument("pulls", default=100_000)
@click.option("--repeats", default=7, show_default=True)
def main(pulls: int, repeats: int) -> None:
    """Print time and bytes of each frame, and their ratio to everything."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.duckdb"
        make_warehouse(path, pulls)
        curves = ds.open_warehouse(path).scan("curves")
        one = (pl.col("engine") == "E7") & (pl.col("setup") == "before")
        frames = {
            "everything": curves,
            "one channel of all": curves.select("pull", "rpm", "torque"),
            "one channel of one setup": curves.filter(one).select("rpm", "torque"),
        }
        taken = {name: time_and_bytes(frame, repeats) for name, frame in frames.items()}
        time, size = taken["everything"]
        for name, (own_time, own_size) in taken.items():
            click.echo(
                f"{name:<26} {1000 * own_time:7.0f} ms {own_time / time:6.3f}   "
                f"{own_size / 1e6:8.1f} MB {own_size / size:7.4f}"
            )


def time_and_bytes(frame: pl.LazyFrame, repeats: int) -> tuple[float, int]:
    """Return the median time to collect a frame, and the bytes handed over for it."""
    handed = 0
    read = _Reader.read_next_batch

    def counted(self: _Reader) -> object:
        nonlocal handed
        batch = read(self)
        handed += batch.nbytes
        return batch

    with patch.object(_Reader, "read_next_batch", counted):
        frame.collect()
    return statistics.median(seconds(frame.collect) for _ in range(repeats)), handed


if __name__ == "__main__":
    main()
