"""How often a clean log is called outside, and how often a fault is found.

    nice -n 10 python tests/calibration/calibrate_envelope.py --worlds 200 --out reports

Every world is a shop of its own: reference pulls, history and a new log are drawn anew, each of
five channels with its own curve noise of pulls and of sessions, sampled at 20 Hz and smoothed as
`ingest` smooths. It can be stopped and started again: cells that are done stay done.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")
TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS / "analysis"))

import numpy as np  # noqa: E402 - after the number of threads is set
from envelope_world import World, make_reference, new_log  # noqa: E402
from scipy.stats import beta  # noqa: E402

import dynostats  # noqa: E402
from dynostats.analysis.envelope import NewLog, check_envelope  # noqa: E402


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One row of a table.

    Args:
        table: Heading of the table.
        what: The row's words.
        world: The shop.
        runs: Full-load runs in the new log.
        factors: Channel to the factor it is off by; none for a clean log.
    """

    table: str
    what: str
    world: World
    runs: int = 1
    factors: dict[str, float] = field(default_factory=dict)


CLEAN = "Clean logs of another day, how far days differ known from 9 comparisons of days"
FEW = "Clean logs of another day, fewer comparisons of days"
NONE = "Clean logs where how far days differ is not known (a warning says so)"
OTHER = "Clean logs, other designs and noises, as in the first table with 3 reference pulls"
FOUND = "Faults found: 3 reference pulls, as in the first table"
HISTORY = (3,) * 10


def cells() -> list[Cell]:
    """Return every row of every table."""
    rows = [
        Cell(
            table=CLEAN,
            what=f"{n} reference pulls in one session",
            world=World(reference=(n,), history=HISTORY),
        )
        for n in (2, 3, 5, 8)
    ]
    rows += [
        Cell(
            table=FEW,
            what=f"3 reference pulls; {count - 1} comparisons of days",
            world=World(reference=(3,), history=(3,) * count),
        )
        for count in (3, 5)
    ]
    rows += [
        Cell(
            table=NONE,
            what=f"{n} reference pulls alone, days differ {words}",
            world=World(reference=(n,), history=(), ratio=ratio),
        )
        for n, ratio, words in (
            (3, 0.0, "by nothing"),
            (8, 0.0, "by nothing"),
            (8, 1.0, "as much as pulls"),
        )
    ]
    rows += [
        Cell(
            table=NONE,
            what=f"3 reference pulls, history in which no setup came back, days differ {words}",
            world=World(reference=(3,), history=HISTORY, ratio=ratio, repeated=False),
        )
        for ratio, words in ((0.0, "by nothing"), (1.0, "as much as pulls"))
    ]
    rows += [
        Cell(
            table=OTHER,
            what="days differ by nothing",
            world=World(reference=(3,), history=HISTORY, ratio=0.0),
        ),
        Cell(
            table=OTHER,
            what="days differ twice as much as pulls",
            world=World(reference=(3,), history=HISTORY, ratio=2.0),
        ),
        Cell(
            table=OTHER,
            what="2 + 2 + 2 reference pulls in three sessions",
            world=World(reference=(2, 2, 2), history=(3,) * 8),
        ),
        Cell(
            table=OTHER,
            what="12 reference pulls, each alone in its session, no history",
            world=World(reference=(1,) * 12, history=()),
        ),
        Cell(
            table=OTHER,
            what="three runs in the log",
            world=World(reference=(3,), history=HISTORY),
            runs=3,
        ),
        Cell(
            table=OTHER,
            what="noise rough over speed",
            world=World(reference=(3,), history=HISTORY, shape="rough"),
        ),
        Cell(
            table=OTHER,
            what="noise four times as large at the top",
            world=World(reference=(3,), history=HISTORY, shape="rpm_dependent"),
        ),
        Cell(
            table=OTHER,
            what="whole pulls with heavy tails (t, 5 df)",
            world=World(reference=(3,), history=HISTORY, shape="heavy_tailed"),
        ),
    ]
    faults = (
        ("lambda", 1.02, "mixture 2% leaner"),
        ("lambda", 1.04, "mixture 4% leaner"),
        ("manifold_pressure", 1.02, "boost 2% higher (absolute)"),
        ("manifold_pressure", 1.04, "boost 4% higher (absolute)"),
        ("fuel_pressure", 0.97, "fuel pressure 3% lower"),
        ("fuel_pressure", 0.94, "fuel pressure 6% lower"),
        ("oil_pressure", 0.94, "oil pressure 6% lower"),
        ("oil_pressure", 0.88, "oil pressure 12% lower"),
        ("charge_temperature", 1.10, "charge temperature 10% (4 K) higher"),
        ("charge_temperature", 1.25, "charge temperature 25% (10 K) higher"),
    )
    return rows + [
        Cell(
            table=FOUND,
            what=words,
            world=World(reference=(3,), history=HISTORY),
            factors={channel: factor},
        )
        for channel, factor, words in faults
    ]


def judge(cell: Cell, seed: int) -> tuple[bool, bool, float]:
    """Return whether the log is called outside (a fault: in its channel), covered, the factor."""
    rng = np.random.default_rng([seed, 7])
    reference = make_reference(cell.world, rng)
    log = make_log(cell, rng)
    found = check_envelope(reference, [log])
    wanted = [one for one in found.channels if not cell.factors or one.channel in cell.factors]
    outside = any(one.status == "outside" for one in wanted)
    covered = all(one.status != "not_covered" for one in found.channels)
    return outside, covered, float(np.median([one.factor for one in found.channels if one.factor]))


def make_log(cell: Cell, rng: np.random.Generator) -> NewLog:
    """Return a new log of a session, with as many runs as asked for."""
    import polars as pl  # noqa: PLC0415 - after the number of threads is set
    from envelope_world import open_session, sample  # noqa: PLC0415

    if cell.runs == 1:
        return new_log(cell.world, rng, **cell.factors)
    errors = open_session(cell.world, rng)
    runs = [
        sample(cell.world, errors, rng).with_columns(pl.col("time") + 100.0 * number)
        for number in range(cell.runs)
    ]
    return NewLog(name="run.csv", samples=pl.concat(runs))


def run(cell: Cell, worlds: int, keep: Path, code: str) -> dict[str, object]:
    """Judge a cell's worlds, or take them from where they were kept."""
    key = hashlib.sha256(f"{cell} {worlds} {code}".encode()).hexdigest()[:24]
    kept = keep / f"{key}.json"
    if not kept.exists():
        judged = [judge(cell, seed) for seed in range(worlds)]
        kept.write_text(json.dumps(judged), encoding="utf-8")
        sys.stderr.write(f"{cell.what}: {sum(one[0] for one in judged)} of {worlds}\n")
    judged = json.loads(kept.read_text(encoding="utf-8"))
    hits, total = sum(one[0] for one in judged), len(judged)
    return {
        "table": cell.table,
        "what": cell.what,
        "outside": hits,
        "of": total,
        "low": 0.0 if hits == 0 else float(beta.ppf(0.025, hits, total - hits + 1)),
        "high": 1.0 if hits == total else float(beta.ppf(0.975, hits + 1, total - hits)),
        "covered": sum(one[1] for one in judged) / total,
        "factor": float(np.median([one[2] for one in judged])),
    }


def _code() -> str:
    """Return a hash of the code that the answer rests on."""
    package = Path(dynostats.__file__).parent / "analysis"
    files = [
        *sorted((package / "envelope").glob("*.py")),
        package / "noise.py",
        package / "field.py",
        package / "layers.py",
        package / "tolerance.py",
        TESTS / "analysis" / "envelope_world.py",
    ]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


INTRODUCTION = """How often `dynostats envelope` calls a clean log of the same setup outside in any
of five channels at any speed (it should be at most 5%), and how often a fault is found in its
channel. {worlds} simulated shops a row. Channels: boost, mixture, fuel and oil pressure, charge
temperature, each with pull noise of 0.15 to 0.8% and, unless said otherwise, session noise as large
as that, correlated over 500 rpm (`tests/analysis/envelope_world.py`). *All covered* is the share of
logs in which every channel's band is narrow enough to tell anything; *factor* the median band in
standard errors of a new log.

Made by

    nice -n 10 .venv/bin/python tests/calibration/calibrate_envelope.py --worlds {worlds}
"""
HEAD = ("| shop | outside | 95% | all covered | factor |", "| --- | --- | --- | --- | --- |")


def as_markdown(rows: list[dict[str, object]], worlds: int) -> str:
    """Return the rows as tables."""
    lines = ["# Envelope: false alarms and faults found", "", INTRODUCTION.format(worlds=worlds)]
    for table in dict.fromkeys(row["table"] for row in rows):
        lines += ["", f"## {table}", "", *HEAD]
        lines += [_line(row) for row in rows if row["table"] == table]
    return "\n".join(lines) + "\n"


def _line(row: dict[str, object]) -> str:
    return (
        f"| {row['what']} | {row['outside'] / row['of']:.1%} | "
        f"{row['low']:.1%} to {row['high']:.1%} | {row['covered']:.0%} | {row['factor']:.2f} |"
    )


def main() -> None:
    """Judge every cell, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=200, help="simulated shops a row")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    parser.add_argument(
        "--keep",
        type=Path,
        default=Path(tempfile.gettempdir()) / "dynostats-envelope",
        help="folder of what is done so far",
    )
    asked = parser.parse_args()
    for folder in (asked.keep, asked.out):
        folder.mkdir(parents=True, exist_ok=True)
    code = _code()  # once: what runs is what was there at the start
    rows: list[dict[str, object]] = []
    for cell in cells():  # written after each, so that what is done can be looked at
        rows.append(run(cell, asked.worlds, asked.keep, code))
        page = as_markdown(rows, asked.worlds)
        (asked.out / "envelope.md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
