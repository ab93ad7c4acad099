"""The whole `compare` command beside a Python that only imports the same libraries.

The warehouse holds sessions of eight pulls, two setups each, of fifty engines on two dynos. Both
commands run in turn, each in a process of its own; the ratios are of the medians, of the time on
the clock and of the processor's. Target: at most 2 at 10,000 pulls, and no more at 10,000 than at
1,000.

Run on demand, on a computer that does nothing else:
.venv/bin/python tests/benchmarks/bench_compare.py [PULLS ...] [--repeats 7]
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import click
from bench_ingest import write_files

import dynostats as ds

RUN = "ABBAABBA"
ROWS = 150
# What `compare` loads, found by looking at sys.modules after it ran.
IMPORTS = "import click, polars, numpy, duckdb, scipy.stats"


def make_warehouse(folder: Path, pulls: int) -> Path:
    """Write and ingest logs; return the warehouse."""
    logs = folder / "logs"
    logs.mkdir(parents=True)
    write_files(logs, files=pulls, rows=ROWS)
    sheet = ["file,engine,dyno,session,setup,order"]
    for number in range(pulls):
        session, place = divmod(number, len(RUN))
        setup = f"{'before' if RUN[place] == 'A' else 'after'} {session}"
        engine = session * 50 * len(RUN) // pulls
        sheet.append(f"run{number:06d}.csv,E{engine},D{engine % 2},S{session},{setup},{place + 1}")
    (logs / "sheet.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    with ds.open_warehouse(folder / "bench.duckdb") as warehouse:
        report = warehouse.ingest(logs)
        assert len(report.stored) == pulls, report.refused[:3]
        return warehouse.path


def seconds(command: Sequence[str]) -> tuple[float, float]:
    """Run a command; return its time on the clock and on the processor."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    wall = time.perf_counter() - start
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    if "compare" in command:
        assert json.loads(done.stdout)["overall"]["low_pct"] is not None
    return wall, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


@click.command()
@click.argument("pulls", nargs=-1, type=int)
@click.option("--repeats", default=7, help="How often each is run.")
def main(pulls: tuple[int, ...], repeats: int) -> None:
    """Print the ratios as the warehouse grows."""
    click.echo("| pulls | imports, s | compare, s | ratio | ratio of processor time |")
    click.echo("| ---: | ---: | ---: | ---: | ---: |")
    for count in pulls or (1000, 10_000):
        with tempfile.TemporaryDirectory() as name:
            path = make_warehouse(Path(name), count)
            middle = count // len(RUN) // 2
            ask = ["compare", "--baseline", f"before {middle}", "--candidate", f"after {middle}"]
            compare = [sys.executable, "-m", "dynostats", "--warehouse", str(path), *ask, "--json"]
            bare = [sys.executable, "-c", IMPORTS]
            both = [(seconds(bare), seconds(compare)) for _ in range(repeats)]
        (bare_wall, bare_cpu), (wall, cpu) = (
            tuple(statistics.median(one[which][at] for one in both) for at in (0, 1))
            for which in (0, 1)
        )
        click.echo(
            f"| {count} | {bare_wall:.2f} | {wall:.2f} | {wall / bare_wall:.2f} | "
            f"{cpu / bare_cpu:.2f} |"
        )


if __name__ == "__main__":
    main()
