"""How often `check` finds seeded faults and wrong labels, and how often it accuses a clean pull.

    .venv/bin/python tests/calibration/acceptance.py --shops 12 --out reports

Writes acceptance.csv and acceptance.md. A shop has three engines of 18 pulls; a fault strikes one
pull of each, so that 12 shops a setting give 36 faulty pulls. About 20 minutes on two cores.
"""

from __future__ import annotations

import argparse
import itertools
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # one process a core instead
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from acceptance_shops import (  # noqa: E402
    CHANGES,
    ENGINES,
    PULLS_A_MOUNT,
    RUNS,
    Judged,
    Shop,
    Spoilt,
    draw_changes,
    flagged,
    judge_shop,
    mark_of,
    plain_changes,
)
from scipy.stats import beta  # noqa: E402

from dynostats.simulate import Fault  # noqa: E402

INTRODUCTION = (
    "Simulated shops, {shops} a fault and severity, each pull from its log file through ingest to "
    "`check`. Shares with exact 95% intervals. 'Found' and 'accused' are a void or doubtful "
    "finding, or any finding on a label. 'Noise SDs' is the largest difference of any number of "
    "two setups' signatures over the noise of one pull. Made by `tests/calibration/acceptance.py`."
)
LABELS = ("label_other_setup", "label_no_known_setup")
MARKS = (0.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 20.0, np.inf)
CHANCES = (0.0, 0.01, 0.03, 0.1, 0.3, 0.5, 0.8, 0.95, 1.0)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One kind of fault at one severity.

    Args:
        kind: What goes wrong.
        size: How much, in words.
        spoil: Makes the fault at a place of the engine's pulls, somewhere along the log.
        checks: Findings that name this fault rightly.
    """

    kind: str
    size: str
    spoil: Callable[[int, np.random.Generator], Spoilt]
    checks: tuple[str, ...]


def at_random(kind: str, severity: float, low: float, high: float, channel: str = ""):
    """Return a maker of a fault that begins anywhere between two shares of the log."""

    def spoil(place: int, rng: np.random.Generator) -> Spoilt:
        at = float(rng.uniform(low, high))
        fault = Fault(kind=kind, severity=severity, at=at, channel=channel)  # pyright: ignore[reportArgumentType]
        return Spoilt(place=place, fault=fault)

    return spoil


def settings() -> list[Setting]:
    """Return every kind of fault at its severities."""
    fallen = ("torque_collapsed", "torque_sagged", "torque_fell_at_end", "load_lost")
    back = ("speed_reversed", "torque_collapsed", "load_lost", "began_late", "ended_early")
    fuel = ("fuel_pressure_lost", "fuel_pressure_falls", "fuel_pressure_unusual")
    found = [
        *(
            Setting(
                kind="ends early",
                size=f"at {share:.0%} of the log",
                spoil=at_random("ends_early", 1.0, share, share),
                checks=("ended_early",),
            )
            for share in (0.5, 0.7, 0.9)
        ),
        *(
            Setting(
                kind="torque collapses",
                size=f"by {share:.0%}",
                spoil=at_random("torque_collapse", share, 0.25, 0.75),
                checks=(*fallen, "outside_band"),
            )
            for share in (0.7, 0.3, 0.15, 0.05)
        ),
        *(
            Setting(
                kind="speed falls back",
                size=f"{rpm:.0f} rpm",
                spoil=at_random("speed_reversal", rpm, 0.25, 0.75),
                checks=back,
            )
            for rpm in (1000.0, 600.0, 200.0)
        ),
        *(
            Setting(
                kind="fuel pressure lost",
                size=f"by {share:.0%}",
                spoil=at_random("fuel_pressure_loss", share, 0.2, 0.6),
                checks=fuel,
            )
            for share in (0.4, 0.15, 0.06, 0.03)
        ),
        *(
            Setting(
                kind="channel missing",
                size=channel,
                spoil=at_random("missing_channel", 1.0, 0.5, 0.5, channel),
                checks=("channel_missing",),
            )
            for channel in ("lambda", "charge_temperature")
        ),
        *(
            Setting(
                kind="channel flat-lined",
                size=f"{channel} from {share:.0%}",
                spoil=at_random("flat_line", 1.0, share, share, channel),
                checks=("flat_line",),
            )
            for channel, share in (
                ("charge_temperature", 0.4),
                ("manifold_pressure", 0.4),
                ("lambda", 0.8),
            )
        ),
        *(
            Setting(
                kind="channel spiked",
                size=f"{channel}, {count} samples, 15% of its range",
                spoil=at_random("spikes", count, 0.1, 0.5, channel),
                checks=("spiked", "speed_reversed"),
            )
            for channel, count in (
                ("torque", 1),
                ("torque", 5),
                ("manifold_pressure", 1),
                ("charge_temperature", 1),
                ("engine_speed", 1),
                ("lambda", 5),
            )
        ),
        *(
            Setting(
                kind="channel saturated",
                size=f"{channel} at {share:.0%} of its highest",
                spoil=at_random("saturation", share, 0.5, 0.5, channel),
                checks=("saturated", "flat_line"),
            )
            for channel, share in (("torque", 0.9), ("torque", 0.98), ("fuel_flow", 0.9))
        ),
        *(
            Setting(
                kind="clock gap",
                size=f"{seconds:g} s",
                spoil=at_random("clock_gap", seconds, 0.2, 0.7),
                checks=("clock_gap",),
            )
            for seconds in (0.2, 1.0, 3.0)
        ),
        *(
            Setting(
                kind="power against torque",
                size=f"{percent:g}% off",
                spoil=at_random("power_mismatch", percent, 0.5, 0.5),
                checks=("power_torque_mismatch",),
            )
            for percent in (0.5, 1.4, 3.0)
        ),
        *(
            Setting(
                kind="started hot or cold",
                size=f"{kelvin:+g} K",
                spoil=at_random("hot_start", kelvin, 0.5, 0.5),
                checks=("start_temperature",),
            )
            for kelvin in (20.0, -12.0, 8.0, 4.0)
        ),
        *(
            Setting(
                kind="torque off, no other sign",
                size=f"{percent:+g}%",
                spoil=lambda place, _, percent=percent: Spoilt(place=place, torque_pct=percent),
                checks=("outside_band",),
            )
            for percent in (5.0, -2.5, 1.5)
        ),
    ]
    return list(found)


def make_faulty(setting: Setting, seed: int) -> Shop:
    """Return a shop in which the fault strikes one pull of each engine."""
    rng = np.random.default_rng([3, seed])
    spoilt = {name: setting.spoil(int(rng.integers(PULLS_A_MOUNT)), rng) for name in ENGINES}
    return Shop(seed=seed, changes=plain_changes(), spoilt=spoilt, mislabelled={})


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


def judge_setting(setting: Setting, seeds: Iterable[int]) -> tuple[list[bool], list[bool], int]:
    """Return for each faulty pull whether anything was found, and the right thing, and voids."""
    anything: list[bool] = []
    rightly: list[bool] = []
    void = 0
    for seed in seeds:
        shop = make_faulty(setting, seed)
        judged = judge_shop(shop)
        for name, spoilt in shop.spoilt.items():
            pull = judged.pulls.filter(engine=name)["pull"][spoilt.place]
            anything.append(pull in flagged(judged))
            rightly.append(pull in flagged(judged, setting.checks))
            void += judged.pulls.filter(pull=pull)["state"][0] == "excluded"
    return anything, rightly, void


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


def count_accused(shops: Sequence[Judged]) -> list[tuple[str, int, int]]:
    """Return check, clean pulls accused by it, and all clean pulls; "any" first."""
    total = sum(shop.pulls.height for shop in shops)
    checks = sorted({one.check for shop in shops for one in shop.found.findings})
    rows = [("any", sum(len(flagged(shop)) for shop in shops), total)]
    rows += [(check, sum(len(flagged(one, (check,))) for one in shops), total) for check in checks]
    return [row for row in rows if row[1] or row[0] == "any"]


def interval(hits: int, total: int) -> tuple[float, float]:
    """Return the exact 95% interval of a share. Source: Clopper & Pearson (1934), Biometrika 26."""
    low = float(beta.ppf(0.025, hits, total - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, total - hits)) if hits < total else 1.0
    return low, high


def row_of(
    table: str, what: str, size: str, counts: tuple[int, int], note: str = ""
) -> dict[str, object]:
    """Return one row of the result; counts are hits and of how many."""
    hits, total = counts
    low, high = interval(hits, total) if total else (0.0, 1.0)
    return {
        "table": table,
        "what": what,
        "size": size,
        "hits": hits,
        "total": total,
        "share": hits / total if total else None,
        "low": low,
        "high": high,
        "note": note,
    }


def label_rows(mode: str, pulls: pl.DataFrame) -> list[dict[str, object]]:
    """Return detection by how far the setups differ, and false accusations."""
    marks = {
        (engine, change.name): mark_of(engine, change)
        for engine, changes in CHANGES.items()
        for change in changes
    }
    far = np.array([marks[key] for key in pulls.select("engine", "change").rows()])
    wrong, found = pulls["wrong"].to_numpy(), pulls["found"].to_numpy()
    rows = []
    for low, high in (*itertools.pairwise(MARKS), (4.0, np.inf)):
        inside = (far > low) & (far <= high)
        size = f"{low:g} to {high:g} noise SDs" if np.isfinite(high) else f"over {low:g} noise SDs"
        hit, of = int((wrong & found & inside).sum()), int((wrong & inside).sum())
        rows.append(row_of(f"labels, {mode}: found", "wrong label", size, (hit, of)))
        hit, of = int((~wrong & found & inside).sum()), int((~wrong & inside).sum())
        rows.append(row_of(f"labels, {mode}: accused", "right label", size, (hit, of)))
    hit, of = int((~wrong & found).sum()), int((~wrong).sum())
    rows.append(row_of(f"labels, {mode}: accused", "right label", "all", (hit, of)))
    return rows


def chance_rows(pulls: pl.DataFrame) -> list[dict[str, object]]:
    """Return how often labels are wrong whose stated probability of being wrong is such."""
    known = pulls.filter(pl.col("probability").is_not_null())
    chance = 1.0 - known["probability"].to_numpy()
    wrong = known["wrong"].to_numpy()
    rows = []
    for low, high in itertools.pairwise(CHANCES):
        inside = (chance >= low) & (chance < high if high < 1.0 else chance <= high)
        if inside.any():
            mean = f"mean stated {chance[inside].mean():.3f}"
            size = f"stated {low:g} to {high:g}"
            counts = int(wrong[inside].sum()), int(inside.sum())
            rows.append(row_of("labels: wrong", "label", size, counts, mean))
    return rows


def as_markdown(rows: Sequence[dict[str, object]], shops: int) -> str:
    """Return the rows as tables."""
    lines = [
        "# Acceptance of pulls and labels: detection and false alarms",
        "",
        INTRODUCTION.format(shops=shops),
    ]
    for table in dict.fromkeys(row["table"] for row in rows):
        lines += ["", f"## {table}", "", "| what | how much | share | 95% | of | note |"]
        lines += ["| --- | --- | --- | --- | --- | --- |"]
        for row in (row for row in rows if row["table"] == table and row["total"]):
            lines.append(
                f"| {row['what']} | {row['size']} | {row['share']:.1%} | "
                f"{row['low']:.1%} to {row['high']:.1%} | {row['total']} | {row['note']} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Judge every setting, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=12)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    asked = parser.parse_args()
    seeds = range(asked.shops)
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        clean = list(pool.map(judge_clean, range(1000, 1000 + 2 * asked.shops)))
        for check, hits, total in count_accused(clean):
            rows.append(row_of("clean pulls accused", check, "", (hits, total)))
        for mode in ("one", "pair", "random"):
            count = [mode] * (5 * asked.shops)
            pulls = pl.concat(pool.map(judge_labels, count, range(5 * asked.shops)))
            rows += chance_rows(pulls) if mode == "random" else label_rows(mode, pulls)
        for number, setting in enumerate(settings()):
            parts = pool.map(_judge_numbered, [number] * asked.shops, seeds)
            anything, rightly, voids = zip(*parts, strict=True)
            found = [hit for part in anything for hit in part]
            named = [hit for part in rightly for hit in part]
            note = f"named rightly {np.mean(named):.0%}, left out as void {sum(voids)}"
            rows.append(
                row_of("faults found", setting.kind, setting.size, (sum(found), len(found)), note)
            )
            print(setting.kind, setting.size, rows[-1]["share"], note, file=sys.stderr)  # noqa: T201
    pl.DataFrame(rows, infer_schema_length=None).write_csv(asked.out / "acceptance.csv")
    (asked.out / "acceptance.md").write_text(as_markdown(rows, asked.shops), encoding="utf-8")


def _judge_numbered(number: int, seed: int) -> tuple[list[bool], list[bool], int]:
    return judge_setting(settings()[number], [seed])


if __name__ == "__main__":
    main()
