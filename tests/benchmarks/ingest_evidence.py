"""What the ingest did with every hazard and every fault, and its speed: reports/ingest.md.

Each part is made by itself, and the others stay as they were made:

    .venv/bin/python tests/benchmarks/ingest_evidence.py hazards
    .venv/bin/pytest -n 0 tests/faults --full-faults --fault-counts counts.jsonl
    .venv/bin/python tests/benchmarks/ingest_evidence.py faults --counts counts.jsonl
    .venv/bin/python tests/benchmarks/ingest_evidence.py speed

The messy files and what they must give are those of tests/ingest/messy, ours those of
tests/ingest/hazards.py. The faults take half an hour, the speed takes a few minutes.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "ingest")]

import polars as pl
from bench_ingest import COUNTS, HEAD, conditions, measure
from hazards import HAZARDS, Hazard, answer_of, faults_of, ingest_hazard
from test_messy import MESSY, STORED, TRUTH

from dynostats.intake import IngestReport

TESTS = Path(__file__).parents[1]
OUT = TESTS.parent / "reports" / "ingest.md"
TITLES = {
    "hazards": "Hazard and result",
    "faults": "Fault, times tried, lost",
    "speed": "Speed and memory",
}
INTRODUCTION = """# The ingest: hazards, faults, speed

Made by `tests/benchmarks/ingest_evidence.py`, which says how. Every cell is from a run of the
product.
"""
ROWS = 450
REPEATS = 3


def hazards(_: argparse.Namespace) -> Iterator[str]:
    """Ingest every hazardous file by itself, and say what the product answered."""
    yield (
        "Each file is ingested by itself, with a sheet and no other help. *Numbers* compares every "
        "channel with the expected table, where there is one. The answer is the product's own, "
        "word by word; notes on smoothing are left out.\n"
    )
    yield "### Files of the shared folder\n"
    yield from _table(("file", "pulls stored", "numbers", "answer"), map(_messy_row, _messy()))
    yield "\n### Our own\n"
    yield from _table(
        ("hazard", "file", "pulls stored", "as it must be", "answer"), map(_own_row, HAZARDS)
    )


def _messy() -> list[Hazard]:
    return [
        Hazard(what=name, file=name, make=(MESSY / name).read_bytes, channels=_expected(facts))
        for name, facts in sorted(TRUTH.items())
    ]


def _expected(facts: dict[str, str]) -> dict[str, list[float | None]]:
    if "expected" not in facts:
        return {}
    table = pl.read_csv(MESSY / facts["expected"])
    return {STORED[name]: table[name].cast(pl.Float64).to_list() for name in table.columns}


def _ingested(hazard: Hazard) -> tuple[IngestReport, list[str]]:
    with tempfile.TemporaryDirectory() as folder:
        report, stored = ingest_hazard(hazard, Path(folder))
    return report, faults_of(hazard, report, stored)


def _messy_row(hazard: Hazard) -> tuple[str, ...]:
    report, faults = _ingested(hazard)
    wrong = [fault for fault in faults if fault.split(" ")[0] in hazard.channels]
    numbers = "; ".join(wrong) or "equal" if hazard.channels else "none expected"
    return hazard.file, str(len(report.stored)), numbers, _answer(report)


def _own_row(hazard: Hazard) -> tuple[str, ...]:
    report, faults = _ingested(hazard)
    return (
        hazard.what,
        hazard.file,
        str(len(report.stored)),
        "; ".join(faults) or "yes",
        _answer(report),
    )


def _answer(report: IngestReport) -> str:
    said = re.sub(r"The log has so few rows [^.]*\. Log faster\.", "", answer_of(report)).strip()
    return f"{'refused: ' if report.refused else ''}{said or 'stored, nothing to remark'}"


def faults(given: argparse.Namespace) -> Iterator[str]:
    """Show what a run of tests/faults counted; such a test fails when anything is lost."""
    yield (
        "Counted by `tests/faults`. A test fails when a pull reported as stored is missing or "
        "differs in one bit (samples, curves, original bytes), when one is stored by halves, or "
        "when an error is not in words; it counts only after all of that was checked.\n"
    )
    rows = [json.loads(line) for line in given.counts.read_text(encoding="utf-8").splitlines()]
    yield from _table(
        ("fault", "times tried", "lost", "of these"),
        ((row["fault"], str(row["tried"]), "0", row["facts"]) for row in rows),
    )


def speed(_: argparse.Namespace) -> Iterator[str]:
    """Run the benchmark."""
    yield (
        "The limit is one call of DuckDB that loads the same files into a bare table: no check, no "
        "hash, no original bytes, no curve. Both run in turn. Wall-clock ratios depend on what "
        "else the computer does; the ratio of CPU time does so less.\n"
    )
    yield f"{conditions(rows=ROWS)}.\n"
    yield HEAD
    for count in COUNTS:
        yield str(measure(count, rows=ROWS, repeats=REPEATS))


PARTS: dict[str, Callable[[argparse.Namespace], Iterator[str]]] = {
    "hazards": hazards,
    "faults": faults,
    "speed": speed,
}


def _table(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> Iterator[str]:
    for row in (head, ("---",) * len(head), *rows):
        cells = (cell.replace("|", "\\|").replace("\n", " ") for cell in row)
        yield f"| {' | '.join(cells)} |"


def _parts_made() -> dict[str, str]:
    """Return the parts that stand in the report, by title."""
    if not OUT.exists():
        return {}
    pieces = re.split(r"^## (.*)\n", OUT.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return {title: text.strip() for title, text in zip(pieces[::2], pieces[1::2], strict=True)}


def _commit() -> str:
    asked = ["git", "-C", str(TESTS), "describe", "--always", "--dirty", "--abbrev=9"]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()


def main() -> None:
    """Make one part of the report anew."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=list(PARTS))
    parser.add_argument("--counts", type=Path, help="what the fault tests counted")
    parser.add_argument("--commit", default=_commit(), help="what was run, if not what is here")
    given = parser.parse_args()
    if given.part == "faults" and given.counts is None:
        parser.error("faults needs --counts FILE")
    made = f"{datetime.now(UTC):%Y-%m-%d}, from {given.commit}."
    text = "\n".join([made, "", *PARTS[given.part](given)])
    parts = _parts_made() | {TITLES[given.part]: text}
    sections = [f"## {title}\n\n{parts[title]}" for title in TITLES.values() if title in parts]
    OUT.write_text("\n\n".join([INTRODUCTION.strip(), *sections]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
