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
from dataclasses import asdict, dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")
TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS / "analysis"))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from envelope_world import World, make_reference, new_log, open_session, sample  # noqa: E402
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
        runs: Full-load runs in the clean log.
        share: Share of the worlds that this row gets.
    """

    table: str
    what: str
    world: World
    runs: int = 1
    share: float = 0.5


CLEAN = "Clean logs of another day, how far days differ known from 9 comparisons of days"
FEW = "Clean logs of another day, fewer comparisons of days"
NONE = "Clean logs where how far days differ is not known (a warning says so)"
OTHER = "Clean logs, other designs and noises, as in the first table with 3 reference pulls"
HISTORY = (3,) * 10
THREE = World(reference=(3,), history=HISTORY)
# Channel, factor it is off by, words.
FAULTS = (
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


def cells() -> list[Cell]:
    """Return every row of every table, the one that matters most first."""
    rows = [
        Cell(
            table=CLEAN,
            what=f"{n} reference pulls in one session",
            world=replace(THREE, reference=(n,)),
            share=1.0,
        )
        for n in (3, 2, 5, 8)
    ]
    for n, ratio, words in (
        (3, 0.0, "by nothing"),
        (8, 0.0, "by nothing"),
        (8, 1.0, "as much as pulls"),
    ):
        world = World(reference=(n,), history=(), ratio=ratio)
        what = f"{n} reference pulls alone, days differ {words}"
        rows.append(Cell(table=NONE, what=what, world=world))
    for ratio, words in ((0.0, "by nothing"), (1.0, "as much as pulls")):
        world = replace(THREE, ratio=ratio, repeated=False)
        what = f"3 reference pulls, history in which no setup came back, days differ {words}"
        rows.append(Cell(table=NONE, what=what, world=world))
    for count in (3, 5):
        world = replace(THREE, history=(3,) * count)
        what = f"3 reference pulls; {count - 1} comparisons of days"
        rows.append(Cell(table=FEW, what=what, world=world))
    return [*rows, Cell(table=OTHER, what="three runs in the log", world=THREE, runs=3), *others()]


def others() -> list[Cell]:
    """Return the rows of other designs and noises."""
    worlds = {
        "days differ by nothing": replace(THREE, ratio=0.0),
        "days differ twice as much as pulls": replace(THREE, ratio=2.0),
        "2 + 2 + 2 reference pulls in three sessions": replace(
            THREE, reference=(2, 2, 2), history=(3,) * 8
        ),
        "12 reference pulls, each alone in its session, no history": World(
            reference=(1,) * 12, history=()
        ),
        "noise rough over speed": replace(THREE, shape="rough"),
        "noise four times as large at the top": replace(THREE, shape="rpm_dependent"),
        "whole pulls with heavy tails (t, 5 df)": replace(THREE, shape="heavy_tailed"),
    }
    return [Cell(table=OTHER, what=what, world=world) for what, world in worlds.items()]


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What was said of one world.

    Args:
        outside: Whether the clean log was called outside.
        covered: Whether every channel could be told.
        factor: Median band in standard errors of a new log.
        found: Whether each of `FAULTS` was found in its channel.
    """

    outside: bool
    covered: bool
    factor: float
    found: list[bool]


def judge(cell: Cell, seed: int) -> Judged:
    """Judge a clean log and every fault of one world; the bands are the same for all of them."""
    rng = np.random.default_rng([seed, 7])
    reference = make_reference(cell.world, rng)
    clean = NewLog(name="clean", samples=_runs(cell, rng))
    faulty = [
        replace(new_log(cell.world, rng, **{channel: factor}), name=words)
        for channel, factor, words in FAULTS
    ]
    found = check_envelope(reference, [clean, *faulty])
    outside = found.points.filter("outside")
    return Judged(
        outside=not outside.filter(log="clean").is_empty(),
        covered=all(one.status != "not_covered" for one in found.channels),
        factor=float(np.median([one.factor for one in found.channels if one.factor])),
        found=[
            not outside.filter(log=words, channel=channel).is_empty()
            for channel, _, words in FAULTS
        ],
    )


def _runs(cell: Cell, rng: np.random.Generator) -> pl.DataFrame:
    errors = open_session(cell.world, rng)
    return pl.concat(
        sample(cell.world, errors, rng).with_columns(pl.col("time") + 100.0 * number)
        for number in range(cell.runs)
    )


def run(cell: Cell, worlds: int, keep: Path, code: str) -> list[Judged]:
    """Judge a cell's worlds, or take them from where they were kept."""
    key = hashlib.sha256(f"{cell} {FAULTS} {code}".encode()).hexdigest()[:24]
    kept = keep / f"{key}.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    with kept.open("a", encoding="utf-8") as out:
        for seed in range(len(lines), worlds):
            lines.append(json.dumps(asdict(judge(cell, seed))))
            out.write(lines[-1] + "\n")
            out.flush()
    judged = [Judged(**json.loads(line)) for line in lines[:worlds]]
    sys.stderr.write(f"{cell.what}: {sum(one.outside for one in judged)} of {worlds}\n")
    return judged


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
channel. Channels: boost, mixture, fuel and oil pressure, charge temperature, each with pull noise
of 0.15 to 0.8% and, unless said otherwise, session noise as large as that, correlated over 500 rpm
(`tests/analysis/envelope_world.py`). *Of* is the number of simulated shops; *all covered* the share
in which every channel's band is narrow enough to tell anything; *factor* the median band in
standard errors of a new log.

Made by

    nice -n 10 .venv/bin/python tests/calibration/calibrate_envelope.py --worlds {worlds}
"""
HEAD = (
    "| shop | outside | 95% | of | all covered | factor |",
    "| --- | --- | --- | --- | --- | --- |",
)


def as_markdown(done: dict[Cell, list[Judged]], worlds: int) -> str:
    """Return what is done as tables."""
    lines = ["# Envelope: false alarms and faults found", "", INTRODUCTION.format(worlds=worlds)]
    for table in dict.fromkeys(cell.table for cell in done):
        lines += ["", f"## {table}", "", *HEAD]
        lines += [_row(cell.what, judged) for cell, judged in done.items() if cell.table == table]
    clean = {cell: judged for cell, judged in done.items() if cell.table == CLEAN}
    lines += ["", "## Faults found, shops as in the first table", ""]
    lines += [f"| fault | {' | '.join(cell.what for cell in clean)} |"]
    lines += ["| --- |" + " --- |" * len(clean)]
    for at, (_, _, words) in enumerate(FAULTS):
        shares = (sum(one.found[at] for one in judged) / len(judged) for judged in clean.values())
        lines.append(f"| {words} | {' | '.join(f'{share:.0%}' for share in shares)} |")
    return "\n".join(lines) + "\n"


def _row(what: str, judged: list[Judged]) -> str:
    hits, total = sum(one.outside for one in judged), len(judged)
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, total - hits + 1))
    high = 1.0 if hits == total else float(beta.ppf(0.975, hits + 1, total - hits))
    covered = sum(one.covered for one in judged) / total
    factor = float(np.median([one.factor for one in judged]))
    return (
        f"| {what} | {hits / total:.1%} | {low:.1%} to {high:.1%} | {total} | {covered:.0%} | "
        f"{factor:.2f} |"
    )


def main() -> None:
    """Judge every cell; the tables are written after each, so that they can be looked at."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=200, help="simulated shops of a main row")
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
    done: dict[Cell, list[Judged]] = {}
    for cell in cells():
        done[cell] = run(cell, round(cell.share * asked.worlds), asked.keep, code)
        page = as_markdown(done, asked.worlds)
        (asked.out / "envelope.md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
