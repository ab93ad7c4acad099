"""How often `check` finds seeded faults and wrong labels, and how often it accuses a clean pull.

    nice .venv/bin/python tests/calibration/acceptance.py --rounds 8 --shops 60

Writes acceptance.csv, acceptance.md and acceptance.svg. A shop has three engines of 18 pulls. Each
fault at each severity strikes one pull of each engine a round; `--shops` is how many shops there
are of each kind of wrong label, and of shops with nothing wrong. Of this size about 12 CPU minutes.
It can be stopped and started again: shops that are judged stay judged while the code is the same.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(threads, "1")
HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import numpy as np  # noqa: E402 - after the number of threads is set
from acceptance_faults import Strike, deal, make_faulty, settings  # noqa: E402
from acceptance_shops import (  # noqa: E402
    ENGINES,
    PULLS_A_MOUNT,
    RUNS,
    Shop,
    draw_changes,
    judge_shop,
)
from acceptance_tables import write_tables  # noqa: E402

import dynostats  # noqa: E402

LABELS = ("one", "pair", "random")


@dataclass(frozen=True, kw_only=True)
class Task:
    """A shop to be judged.

    Args:
        kind: "clean", "faults", or how labels are wrong.
        number: Number of the shop among those of its kind.
        strikes: What is wrong with which pulls.
    """

    kind: str
    number: int
    strikes: tuple[Strike, ...] = ()


def tasks(rounds: int, shops: int) -> Iterator[Task]:
    """Yield what is to be judged, all kinds in turn, so that a run cut short has some of each."""
    faulty = [
        Task(kind="faults", number=number, strikes=tuple(strikes))
        for number, strikes in deal(settings(), rounds)
    ]
    rest = [Task(kind=kind, number=n) for n in range(shops) for kind in ("clean", *LABELS)]
    longer = max(len(faulty), len(rest))
    every = [(at / longer, at, task) for at, task in enumerate(rest)]
    scale = len(rest) / max(len(faulty), 1)
    every += [(scale * at / longer, at, task) for at, task in enumerate(faulty)]
    yield from (task for *_, task in sorted(every, key=lambda one: one[:2]))


def make_clean(number: int) -> Shop:
    """Return a shop in which nothing is wrong."""
    changes = draw_changes(np.random.default_rng([5, number]))
    return Shop(seed=1000 + number, changes=changes, spoilt={}, mislabelled={})


def make_mislabelled(kind: str, seed: int) -> Shop:
    """Return a shop with one wrong label an engine ("one"), a swapped pair, or 5% at random."""
    rng = np.random.default_rng([4, LABELS.index(kind), seed])
    places = [(day, letter) for day, run in enumerate(RUNS) for letter in run]
    wrong: dict[str, tuple[int, ...]] = {}
    for name in ENGINES:
        if kind == "one":
            wrong[name] = (int(rng.integers(PULLS_A_MOUNT)),)
        elif kind == "pair":
            day = int(rng.choice([day for day, run in enumerate(RUNS) if "B" in run]))
            sides = ([at for at, place in enumerate(places) if place == (day, x)] for x in "AB")
            wrong[name] = tuple(int(rng.choice(side)) for side in sides)
        else:
            wrong[name] = tuple(np.flatnonzero(rng.random(PULLS_A_MOUNT) < 0.05).tolist())
    return Shop(seed=2000 + seed, changes=draw_changes(rng), spoilt={}, mislabelled=wrong)


def judge(task: Task) -> list[dict[str, object]]:
    """Judge one shop; return one row a pull: what is true of it, and what is said of it."""
    if task.kind == "clean":
        shop = make_clean(task.number)
    elif task.kind == "faults":
        shop = make_faulty(task.number, list(task.strikes))
    else:
        shop = make_mislabelled(task.kind, task.number)
    judged = judge_shop(shop)
    struck = {
        judged.pulls.filter(engine=one.engine)["pull"][one.place]: one.setting
        for one in task.strikes
    }
    chance = dict(judged.found.labels.select("pull", "probability").iter_rows())
    said: dict[str, list[tuple[str, str, bool]]] = {}
    for one in judged.found.findings:
        said.setdefault(one.pull, []).append((one.check, one.severity, one.danger))
    return [
        {
            "kind": task.kind,
            "engine": row["engine"],
            "change": shop.changes[row["engine"]].name,
            "wrong": row["setup"] != row["fitted"] and row["pull"] not in struck,
            "fault": struck[row["pull"]].kind if row["pull"] in struck else "",
            "size": struck[row["pull"]].size if row["pull"] in struck else "",
            "chance": chance.get(row["pull"]),
            "said": said.get(row["pull"], []),
        }
        for row in judged.pulls.iter_rows(named=True)
    ]


def judge_kept(task: Task, keep: Path) -> list[dict[str, object]]:
    """Judge one shop, or take it from the file that keeps it."""
    path = keep / f"{task.kind}-{task.number}.json"
    if not path.exists():
        part = path.with_suffix(".part")  # a run that is stopped leaves no half file
        part.write_text(json.dumps(judge(task)), encoding="utf-8")
        part.replace(path)
    return json.loads(path.read_text(encoding="utf-8"))


def fingerprint() -> str:
    """Return a mark of the code that the answers rest on."""
    package = Path(dynostats.__file__).parent
    places = ("analysis", "analysis/acceptance", "curves", "curves/acceptance", "simulate")
    files = [file for place in places for file in (package / place).glob("*.py")]
    files += [HERE / f"acceptance{part}.py" for part in ("", "_faults", "_shops")]
    content = b"".join(file.read_bytes() for file in sorted(files))
    return hashlib.sha256(content).hexdigest()[:16]


def main() -> None:
    """Judge every shop, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=8, help="strikes of each fault an engine")
    parser.add_argument("--shops", type=int, default=60, help="shops of each other kind")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    parser.add_argument(
        "--keep",
        type=Path,
        default=Path(tempfile.gettempdir()) / "dynostats-acceptance",
        help="folder of what is done so far",
    )
    asked = parser.parse_args()
    keep = asked.keep / fingerprint()
    for folder in (keep, asked.out):
        folder.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, object]] = []
    wanted = list(tasks(asked.rounds, asked.shops))
    for number, task in enumerate(wanted, start=1):
        rows += judge_kept(task, keep)
        sys.stderr.write(f"{number}/{len(wanted)} {task.kind} {task.number}\n")
    write_tables(rows, asked.out, rounds=asked.rounds, shops=asked.shops)


if __name__ == "__main__":
    main()
