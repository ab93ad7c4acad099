"""A whole ingest (checks, hashes, sources, curves) beside DuckDB loading the same files bare.

The limit is one call, `create table … as from read_csv(glob)`, into a database file. Both run in
turn on the same files, which the system has in memory after the first reading; each ratio is of two
runs that followed each other, and the median is given with the lowest and highest. On a computer
that does other things too, CPU time is the steadier measure. Memory is the peak of all processes
together (each shared page counted once), in a run of its own, since watching it takes time.

Run on demand, on a computer that does nothing else:
.venv/bin/python tests/benchmarks/bench_ingest.py [FILES ...] [--rows 450] [--repeats 3]
"""

from __future__ import annotations

import os
import resource
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click
import duckdb
import numpy as np

import dynostats as ds

SEED = 20250314
COUNTS = (100, 1000, 5000)
HEADER = (
    "time [s],engine_speed [rpm],torque [N.m],power [kW],manifold_pressure [kPa abs],"
    "charge_temperature [degC],lambda,exhaust_temperature_1 [degC],exhaust_temperature_2 [degC],"
    "oil_pressure [kPa],oil_temperature [degC],coolant_temperature [degC],fuel_flow [kg/h]"
)
DECIMALS = (2, 1, 2, 2, 2, 2, 4, 1, 1, 1, 2, 2, 2)


def write_files(folder: Path, *, files: int, rows: int) -> None:
    """Write logs of one logger, 13 channels, and the sheet that names them all."""
    rng = np.random.default_rng(SEED)
    speed = np.linspace(2000.0, 6500.0, rows)
    means = (None, None, None, None, 150.0, 40.0, 0.85, 700.0, 705.0, 400.0, 95.0, 88.0, 60.0)
    formats = [f"%.{decimals}f" for decimals in DECIMALS]
    sheet = ["file,engine,dyno,session,setup,order"]
    for number in range(files):
        torque = 300.0 + 20.0 * np.sin(speed / 1500.0) + rng.normal(0.0, 1.5, rows)
        measured = (
            np.arange(rows) * 0.02,
            speed + rng.normal(0.0, 3.0, rows),
            torque,
            torque * speed * np.pi / 30_000.0,
        )
        others = [mean * (1 + 0.003 * rng.normal(size=rows)) for mean in means if mean is not None]
        name = f"run{number:06d}.csv"
        with (folder / name).open("w", encoding="utf-8") as file:
            file.write(HEADER + "\n")
            np.savetxt(file, np.column_stack([*measured, *others]), fmt=formats, delimiter=",")
        place = f"E{number // 500},D1,S{number // 20},{'AB'[number // 5 % 2]},{number % 20 + 1}"
        sheet.append(f"{name},{place}")
    (folder / "sheet.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")


class PeakMemory:
    """Watches the memory of this process and its children, MB; 0 where the system does not tell."""

    def __init__(self) -> None:
        """Begin to watch."""
        self.peak = 0.0
        self._stop = threading.Event()
        self._watching = threading.Thread(target=self._watch, daemon=True)
        self._watching.start()

    def stop(self) -> float:
        """Return the peak."""
        self._stop.set()
        self._watching.join()
        return self.peak

    def _watch(self) -> None:
        while not self._stop.wait(0.1):
            self.peak = max(self.peak, sum(map(_share, _family())))


def _family() -> list[int]:
    """Return this process and its children."""
    own = os.getpid()
    family = [own]
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(entry.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if parent == own:
            family.append(int(entry.parent.name))
    return family


def _share(process: int) -> float:
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return next(float(line.split()[1]) / 1000 for line in lines if line.startswith("Pss:"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one run took, seconds: on the wall's clock, and of all processors and processes."""

    wall: float
    cpu: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table."""

    files: int
    limit: list[Cost]
    ours: list[Cost]
    peak_mb: float

    def __str__(self) -> str:
        """Return the line: ms a file, ratios, MB."""
        cells = [f"{self.files:,}"]
        for kind in ("wall", "cpu"):
            limit, ours = ([getattr(c, kind) for c in costs] for costs in (self.limit, self.ours))
            ratios = sorted(one / other for one, other in zip(ours, limit, strict=True))
            each = 1000.0 / self.files
            cells += [
                f"{each * statistics.median(limit):.2f}",
                f"{each * statistics.median(ours):.2f}",
                f"{statistics.median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f})",
            ]
        return " | ".join(["", *cells, f"{self.peak_mb:.0f}", ""]).strip()


HEAD = (
    "| files | limit, ms | ingest, ms | ratio | limit, CPU ms | ingest, CPU ms | ratio of CPU | "
    "peak, MB |\n| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
)


def measure(files: int, *, rows: int, repeats: int) -> Row:
    """Run both in turn, several times."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "logs"
        folder.mkdir()
        write_files(folder, files=files, rows=rows)
        target = Path(name) / "target.duckdb"

        def limit() -> None:
            with duckdb.connect(target) as connection:
                connection.execute(f"create table bare as from read_csv('{folder}/run*.csv')")

        def ours() -> None:
            report = ds.open_warehouse(target).ingest(folder)
            assert len(report.stored) == files, report.refused[:3]
            assert not any(pull.excluded for pull in report.stored)

        limits, own = [], []
        for _ in range(repeats):
            limits.append(_cost(limit, target))
            own.append(_cost(ours, target))
        memory = PeakMemory()  # in a run of its own: watching costs as much as a third of the work
        _cost(ours, target)
        peak = memory.stop()
    return Row(files=files, limit=limits, ours=own, peak_mb=peak)


def _cost(work: Callable[[], None], target: Path) -> Cost:
    target.unlink(missing_ok=True)
    before, start = _cpu_s(), time.perf_counter()
    work()
    return Cost(wall=time.perf_counter() - start, cpu=_cpu_s() - before)


def _cpu_s() -> float:
    """Return what this process and the helpers that ended have used of all processors."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


@click.command()
@click.argument("files", nargs=-1, type=int)
@click.option("--rows", default=450, help="Samples a file.")
@click.option("--repeats", default=3, help="How often each is run.")
def main(files: tuple[int, ...], rows: int, repeats: int) -> None:
    """Print the ratio to the limit as the number of files grows."""
    click.echo(conditions(rows=rows))
    click.echo(HEAD)
    for count in files or COUNTS:
        click.echo(str(measure(count, rows=rows, repeats=repeats)))


def conditions(*, rows: int) -> str:
    """Return what was measured on what, and how busy it was."""
    return (
        f"{os.cpu_count()} processors, which {os.getloadavg()[1]:.1f} processes wanted at once in "
        f"the 5 minutes before; {rows} rows and 13 channels a file, ms a file"
    )


if __name__ == "__main__":
    main()
