"""How often `check` finds seeded faults and wrong labels, and how often it accuses a clean pull.

    nice .venv/bin/python tests/calibration/acceptance.py --rounds 8 --shops 60

Writes acceptance.csv, acceptance.md and acceptance.svg. A shop has three engines of 18 pulls. Each
fault at each severity strikes one pull of each engine a round; `--shops` is how many shops there
are of each kind of wrong label, and of shops with nothing wrong. Of this size about 12 CPU minutes.
"""

from __future__ import annotations

import argparse
import itertools
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(threads, "1")  # one process a core instead
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from acceptance_faults import Strike, deal, make_faulty, settings  # noqa: E402
from acceptance_shops import (  # noqa: E402
    CHANGES,
    ENGINES,
    PULLS_A_MOUNT,
    RUNS,
    Judged,
    Shop,
    draw_changes,
    flagged,
    judge_shop,
    mark_of,
)
from acceptance_tables import row_of, write_tables  # noqa: E402

LABELS = ("label_other_setup", "label_no_known_setup")
MODES = ("one", "pair", "random")
MARKS = (0.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 20.0, np.inf)
PROMISED_MARK = 4.0
CHANCES = (0.0, 0.01, 0.03, 0.1, 0.3, 0.5, 0.8, 0.95, 1.0)


@dataclass(frozen=True, kw_only=True)
class Hit:
    """What became of one struck pull.

    Args:
        kind: What went wrong.
        size: How much.
        anything: Whether anything is said against it.
        rightly: Whether the right thing is said.
        void: Whether it was left out.
    """

    kind: str
    size: str
    anything: bool
    rightly: bool
    void: bool


@dataclass(frozen=True, kw_only=True)
class Struck:
    """What became of a shop with faults.

    Args:
        hits: One a struck pull.
        accused: Clean pulls beside them against which anything is said.
        clean: Clean pulls beside them.
    """

    hits: tuple[Hit, ...]
    accused: int
    clean: int


def judge_faulty(number: int, strikes: list[Strike]) -> Struck:
    """Judge one shop with faults."""
    judged = judge_shop(make_faulty(number, strikes))
    against = flagged(judged)
    struck: set[str] = set()
    hits: list[Hit] = []
    for one in strikes:
        pull = judged.pulls.filter(engine=one.engine).row(one.place, named=True)
        struck.add(pull["pull"])
        hits.append(
            Hit(
                kind=one.setting.kind,
                size=one.setting.size,
                anything=pull["pull"] in against,
                rightly=pull["pull"] in flagged(judged, one.setting.checks),
                void=pull["state"] == "excluded",
            )
        )
    clean = set(judged.pulls["pull"]) - struck
    return Struck(hits=tuple(hits), accused=len(clean & against), clean=len(clean))


def make_mislabelled(mode: str, seed: int) -> Shop:
    """Return a shop with one wrong label an engine ("one"), a swapped pair, or 5% at random."""
    rng = np.random.default_rng([4, seed])
    places = [(day, letter) for day, run in enumerate(RUNS) for letter in run]
    wrong: dict[str, tuple[int, ...]] = {}
    for name in ENGINES:
        if mode == "one":
            wrong[name] = (int(rng.integers(PULLS_A_MOUNT)),)
        elif mode == "pair":
            day = int(rng.choice([day for day, run in enumerate(RUNS) if "B" in run]))
            sides = ([at for at, place in enumerate(places) if place == (day, x)] for x in "AB")
            wrong[name] = tuple(int(rng.choice(side)) for side in sides)
        else:
            wrong[name] = tuple(np.flatnonzero(rng.random(PULLS_A_MOUNT) < 0.05).tolist())
    return Shop(seed=seed, changes=draw_changes(rng), spoilt={}, mislabelled=wrong)


def judge_labels(mode: str, seed: int) -> pl.DataFrame:
    """Return one row a pull: engine, change, whether its label is wrong, and what is said of it."""
    shop = make_mislabelled(mode, seed)
    judged = judge_shop(shop)
    said = judged.found.labels.drop("setup")
    return judged.pulls.join(said, on="pull", how="left").with_columns(
        change=pl.col("engine").replace_strict({n: c.name for n, c in shop.changes.items()}),
        wrong=pl.col("setup") != pl.col("fitted"),
        found=pl.col("pull").is_in(flagged(judged, LABELS)),
    )


def judge_clean(seed: int) -> Judged:
    """Judge a shop in which nothing is wrong."""
    changes = draw_changes(np.random.default_rng([5, seed]))
    return judge_shop(Shop(seed=seed, changes=changes, spoilt={}, mislabelled={}))


def clean_rows(shops: Sequence[Judged]) -> list[dict[str, object]]:
    """Return the clean pulls accused, by any check and check by check."""
    table = "clean pulls accused"
    total = sum(shop.pulls.height for shop in shops)
    any_of = sum(len(flagged(shop)) for shop in shops)
    rows = [row_of(table, "any check", "", (any_of, total))]
    for check in sorted({one.check for shop in shops for one in shop.found.findings}):
        hits = sum(len(flagged(one, (check,))) for one in shops)
        if hits:
            rows.append(row_of(table, check, "", (hits, total)))
    return rows


def fault_rows(shops: Sequence[Struck]) -> list[dict[str, object]]:
    """Return how often each fault was found, and clean pulls beside faulty ones accused."""
    rows: list[dict[str, object]] = []
    hits = [hit for shop in shops for hit in shop.hits]
    for setting in settings():
        own = [hit for hit in hits if (hit.kind, hit.size) == (setting.kind, setting.size)]
        named, void = np.mean([hit.rightly for hit in own]), sum(hit.void for hit in own)
        note = f"named rightly {named:.0%}, left out as void {void}"
        counts = sum(hit.anything for hit in own), len(own)
        rows.append(row_of("faults found", setting.kind, setting.size, counts, note))
    beside = sum(shop.accused for shop in shops), sum(shop.clean for shop in shops)
    rows.append(row_of("clean pulls accused", "any check", "in shops with faults", beside))
    return rows


def label_rows(mode: str, pulls: pl.DataFrame) -> list[dict[str, object]]:
    """Return detection by how far the setups differ, and false accusations."""
    far = _marks_of(pulls)
    wrong, found = pulls["wrong"].to_numpy(), pulls["found"].to_numpy()
    rows: list[dict[str, object]] = []
    for low, high in (*itertools.pairwise(MARKS), (PROMISED_MARK, np.inf)):
        inside = (far > low) & (far <= high)
        size = f"{low:g} to {high:g} noise SDs" if np.isfinite(high) else f"over {low:g} noise SDs"
        counts = int((wrong & found & inside).sum()), int((wrong & inside).sum())
        rows.append(row_of(f"labels, {mode}: found", "wrong label", size, counts))
    counts = int((~wrong & found).sum()), int((~wrong).sum())
    rows.append(row_of(f"labels, {mode}: accused", "right label", "", counts))
    return rows


def _marks_of(pulls: pl.DataFrame) -> np.ndarray:
    """Return how far the two setups of each pull's engine differ, in noise SDs."""
    marks = {
        (engine, change.name): mark_of(engine, change)
        for engine, changes in CHANGES.items()
        for change in changes
    }
    return np.array([marks[key] for key in pulls.select("engine", "change").rows()])


def chance_rows(pulls: pl.DataFrame) -> list[dict[str, object]]:
    """Return how often labels are wrong whose stated probability of being wrong is such."""
    known = pulls.filter(pl.col("probability").is_not_null())
    chance = 1.0 - known["probability"].to_numpy()
    wrong = known["wrong"].to_numpy()
    rows: list[dict[str, object]] = []
    for low, high in itertools.pairwise(CHANCES):
        inside = (chance >= low) & (chance < high if high < 1.0 else chance <= high)
        if inside.any():
            mean = f"mean stated {chance[inside].mean():.3f}"
            size = f"stated {low:g} to {high:g}"
            counts = int(wrong[inside].sum()), int(inside.sum())
            rows.append(
                row_of("labels, 5% wrong at random: how often", "label", size, counts, mean)
            )
    return rows


def _judge_round(task: tuple[int, int]) -> Struck:
    """Judge the shop of a number; settings hold functions, which no other process can be sent."""
    rounds, wanted = task
    return next(
        judge_faulty(number, strikes)
        for number, strikes in deal(settings(), rounds)
        if number == wanted
    )


def main() -> None:
    """Judge every setting, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=8)
    parser.add_argument("--shops", type=int, default=60)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    asked = parser.parse_args()
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        rows += clean_rows(list(pool.map(judge_clean, range(1000, 1000 + asked.shops))))
        for mode in MODES:
            parts = pool.map(judge_labels, [mode] * asked.shops, range(asked.shops))
            pulls = pl.concat(parts)
            rows += chance_rows(pulls) if mode == "random" else label_rows(mode, pulls)
        numbers = [(asked.rounds, number) for number, _ in deal(settings(), asked.rounds)]
        rows += fault_rows(list(pool.map(_judge_round, numbers)))
    write_tables(rows, asked.out, rounds=asked.rounds, shops=asked.shops)


if __name__ == "__main__":
    main()
