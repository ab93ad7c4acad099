"""How often a study that is looked at after every pair of pulls claims what is not there.

    OPENBLAS_NUM_THREADS=1 nice -n 10 .venv/bin/python tests/calibration/looks.py \
        --studies 1000 --out reports

Writes looks.csv, looks_foresight.csv and looks.md. Every study is a simulated day of alternating
pulls with or without past days, judged as `watch` judges it: the bounds of all engine speeds and of
both band means at the level that the look has. About half an hour of one core.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from cells import PAST  # noqa: E402
from scipy.stats import beta  # noqa: E402
from scipy.stats import t as student_t  # noqa: E402

from dynostats.analysis.conclude import Conclusion, conclude  # noqa: E402
from dynostats.analysis.curve_set import CurveSet  # noqa: E402
from dynostats.analysis.effect import (  # noqa: E402
    MEANS_SHARE,
    Effect,
    critical_values,
    estimate_effect,
)
from dynostats.analysis.noise import correlation_length  # noqa: E402
from dynostats.analysis.question import LEAST_ALPHA, Question  # noqa: E402
from dynostats.analysis.sequential.foresight import Outline, foresee  # noqa: E402
from dynostats.analysis.sequential.small_df import student_levels  # noqa: E402
from dynostats.analysis.sequential.spending import RULES, levels  # noqa: E402
from dynostats.simulate import NoiseShape, lay_out, shape_noise, simulate_curves  # noqa: E402

RPM = np.arange(2000.0, 6401.0, 100.0)
ALPHA = 0.05
MARGIN_PCT = 0.5
QUESTION = Question(engine="S", baseline="A", candidate="B", margin_pct=MARGIN_PCT, alpha=ALPHA)
DRAWS = 2000
PATHS = 50_000
RUN = "ABBABAABABBABAAB"
# A margin wide enough that 'no meaningful change' is claimed at all.
WIDE_PCT = 1.5
# True effect and margin, percent.
CASES = ((0.0, MARGIN_PCT), (WIDE_PCT, WIDE_PCT), (1.5, MARGIN_PCT), (3.0, MARGIN_PCT))
Case = tuple[float, float]
# Looking after every pair as if each look were the only one.
NAIVE = "no correction"
# The levels of the boundary of Z, each look by its own t distribution.
PLAIN = "lan_demets_obrien_fleming, Z levels"
METHODS = (NAIVE, PLAIN, *RULES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Pairs planned, past pulls, and the kind of noise."""

    pairs: int
    past: int
    shape: NoiseShape

    @property
    def name(self) -> str:
        """Return the scene in a word."""
        return f"{self.pairs} pairs, {self.past} past pulls, {self.shape}"


SCENES = (
    Scene(pairs=4, past=0, shape="smooth"),
    Scene(pairs=6, past=0, shape="smooth"),
    Scene(pairs=6, past=30, shape="smooth"),
    Scene(pairs=6, past=30, shape="rough"),
    Scene(pairs=4, past=8, shape="drifting"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """One study at one look: what can be said of it at any level."""

    pairs: int
    information: float
    df: float
    effect: Effect

    def at(self, level: float, effect_pct: float, margin_pct: float = MARGIN_PCT) -> Conclusion:
        """Return the conclusion at a level, as if the noise had met another true effect."""
        draws = self.effect.draws
        curve_factor, means_factor = critical_values(draws, level)
        shift = np.log1p(effect_pct / 100.0)
        own = np.quantile(np.abs(draws.curve[:, 0]), 1.0 - 2.0 * level, axis=0)
        judged = replace(
            self.effect,
            curve=self.effect.curve + shift,
            means=self.effect.means + shift,
            curve_factor=curve_factor,
            means_factor=means_factor,
            pointwise_factor=own,
        )
        return conclude(judged, replace(QUESTION, margin_pct=margin_pct), mean_kw=100.0)


def simulate(scene: Scene, studies: int) -> Iterator[list[Glance]]:
    """Yield the looks of each study; none where a comparison has no interval yet."""
    past = PAST[scene.past]
    run = RUN[: 2 * scene.pairs]
    layout = lay_out(*(order for _, order in past), run)
    engines = [*(name for name, _ in past), "S"]
    noise = shape_noise(scene.shape)
    rng = np.random.default_rng([scene.pairs, scene.past, len(scene.shape)])
    whole = CurveSet(
        rpm=RPM,
        log_torque=np.zeros((len(layout.setup), len(RPM))),
        pull=[f"P{at}" for at in range(len(layout.setup))],
        engine=[engines[at] for at in layout.session],
        session=[f"s{at}" for at in layout.session],
        setup=["ABCD"[at] for at in layout.setup],
        order=layout.order.astype(float),
    )
    for number in range(studies):
        curves = simulate_curves(layout, RPM, noise, studies=1, rng=rng)[0] + np.log(400.0)
        yield list(_glances(replace(whole, log_torque=curves), scene, run, seed=number))


def _glances(whole: CurveSet, scene: Scene, run: str, *, seed: int) -> Iterator[Glance]:
    before = len(whole) - len(run)
    for pairs in range(1, scene.pairs + 1):
        taken = _through(run, pairs)
        rows = np.arange(before + taken)
        everything = whole.take(rows)
        study = whole.take(rows[before:])
        effect = estimate_effect(
            everything, study, baseline="A", candidate="B", alpha=ALPHA, draws=DRAWS, seed=seed
        )
        if effect.lacking:
            continue
        share = 2.0 / scene.pairs / effect.contrast.factor("pull")
        yield Glance(
            pairs=pairs,
            information=1.0 if pairs == scene.pairs else min(share, 0.999),
            df=_rounded_df(float(effect.means_factor)),
            effect=effect,
        )


def _through(run: str, pairs: int) -> int:
    """Return how many pulls of a run complete so many pairs."""
    return next(
        at
        for at in range(1, len(run) + 1)
        if min(run[:at].count("A"), run[:at].count("B")) == pairs
    )


def _rounded_df(critical: float) -> float:
    """Return the df of a critical value of the mean, rounded so that levels are found once."""
    grid = np.geomspace(1.0, 300.0, 40)
    tail = MEANS_SHARE * ALPHA / 2.0
    return float(grid[np.abs(student_t.isf(tail, grid) - critical).argmin()])


@cache
def _levels(
    method: str, times: tuple[float, ...], dfs: tuple[float, ...], looks: int
) -> tuple[float, ...]:
    if method == NAIVE:
        return (ALPHA,) * len(times)
    if method == PLAIN:
        return levels("lan_demets_obrien_fleming", times, looks=looks, alpha=ALPHA)
    return student_levels(
        method, times, dfs, looks=looks, alpha=ALPHA, least=LEAST_ALPHA, paths=PATHS
    )


def judge(scene: Scene, studies: int) -> dict[tuple[str, Case], Counter[str]]:
    """Return what each method said of so many studies, by method, true effect and margin."""
    said = {(method, case): Counter[str]() for method in METHODS for case in CASES}
    for glances in simulate(scene, studies):
        times = tuple(round(glance.information, 3) for glance in glances)
        dfs = tuple(np.maximum.accumulate([glance.df for glance in glances]).tolist())
        for (method, case), counts in said.items():
            found = _levels(method, times, dfs, scene.pairs)
            verdict, pairs = _stop(glances, found, case)
            counts[verdict] += 1
            counts["pairs"] += pairs
            counts["studies"] += 1
    return said


def _stop(glances: Sequence[Glance], found: Sequence[float], case: Case) -> tuple[str, int]:
    """Return the first claim that a study makes, and after how many pairs."""
    for glance, level in zip(glances, found, strict=True):
        if level < LEAST_ALPHA:
            continue
        conclusion = glance.at(level, *case)
        if conclusion.verdict != "undecided":
            return conclusion.verdict, glance.pairs
    return "undecided", glances[-1].pairs if glances else 0


# Effects, percent, at which foresight is held against what came.
FORESEEN_PCT = (0.0, 0.5, 1.0)
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
_RULE = "lan_demets_obrien_fleming"


def foretell(scene: Scene, studies: int) -> list[tuple[float, bool]]:
    """Return the chance given that the next look decides, and whether it did, a pair a look."""
    told: list[tuple[float, bool]] = []
    for glances in simulate(scene, studies):
        times = tuple(round(glance.information, 3) for glance in glances)
        dfs = tuple(np.maximum.accumulate([glance.df for glance in glances]).tolist())
        found = _levels(_RULE, times, dfs, scene.pairs)
        for size in FORESEEN_PCT:
            for now, then, level, next_level in zip(
                glances, glances[1:], found, found[1:], strict=False
            ):
                if level >= LEAST_ALPHA and now.at(level, size).verdict != "undecided":
                    break
                if next_level < LEAST_ALPHA:
                    continue
                outline = _outline(now, next_level, size)
                said = foresee(outline, df=now.df, growth=then.information / now.information).get(
                    "undecided", 0.0
                )
                told.append((1.0 - said, then.at(next_level, size).verdict != "undecided"))
    return told


def _outline(glance: Glance, level: float, size: float) -> Outline:
    found = glance.at(level, size)
    curve_factor, means_factor = critical_values(glance.effect.draws, level)

    def half(low: str, high: str):
        ends = (getattr(found.bounds, name) for name in (high, low))
        upper, lower = (np.log1p(end / 100.0) for end in ends)
        return (upper - lower) / 2.0

    overall = found.overall
    return Outline(
        rpm=RPM,
        effect=np.log1p(found.bounds.effect / 100.0),
        half=half("low", "high"),
        near=half("low_pointwise", "high_pointwise"),
        critical=curve_factor,
        mean_half=(np.log1p(overall.high_pct / 100.0) - np.log1p(overall.low_pct / 100.0)) / 2.0,
        mean_critical=means_factor,
        correlation_rpm=correlation_length(glance.effect.noise),
        margin_pct=MARGIN_PCT,
    )


def foresight_of(told: Sequence[tuple[float, bool]]) -> pl.DataFrame:
    """Return one row a range of stated chances: how often the next look did decide."""
    said, came = (np.array(part, dtype=float) for part in zip(*told, strict=True))
    place = np.clip(np.digitize(said, BINS) - 1, 0, len(BINS) - 2)
    rows = []
    for at in range(len(BINS) - 1):
        inside = place == at
        if inside.any():
            count, of = int(came[inside].sum()), int(inside.sum())
            low, high = exact_interval(count, of)
            rows.append(
                {
                    "stated_from": BINS[at],
                    "stated_to": BINS[at + 1],
                    "stated_mean": float(said[inside].mean()),
                    "looks": of,
                    "decided": count / of,
                    "low": low,
                    "high": high,
                }
            )
    return pl.DataFrame(rows)


def table_of(results: dict[Scene, dict[tuple[str, Case], Counter[str]]]) -> pl.DataFrame:
    """Return one row a scene, method, true effect and margin."""
    rows = []
    for scene, said in results.items():
        for (method, (size, margin)), counts in said.items():
            studies = counts["studies"]
            gain = counts["gain"] + counts["mixed"]
            false = counts["loss"] + (gain if size == 0.0 else 0)
            false += counts["no_meaningful_change"] if size >= margin else 0
            low, high = exact_interval(false, studies)
            rows.append(
                {
                    "scene": scene.name,
                    "method": method,
                    "effect_pct": size,
                    "margin_pct": margin,
                    "studies": studies,
                    "false_claims": false / studies,
                    "low": low,
                    "high": high,
                    "gain": gain / studies,
                    "no_meaningful_change": counts["no_meaningful_change"] / studies,
                    "mean_pairs": counts["pairs"] / studies,
                }
            )
    return pl.DataFrame(rows)


def exact_interval(count: int, of: int) -> tuple[float, float]:
    """Return the exact 95% interval of a share. Source: Clopper & Pearson (1934)."""
    low = float(beta.ppf(0.025, count, of - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, of - count)) if count < of else 1.0
    return low, high


INTRODUCTION = """# Looks after every pair

{studies} simulated studies a scene, each looked at after every pair of pulls until it claims
something or the planned pairs are in. A false claim: a gain or a loss, of the band or of any
region, where the true effect is 0. A false 'no change': 'no meaningful change' within a margin of
{wide:g}% where the true effect is {wide:g}%. Nominal {alpha:.0%} each. 'No correction' treats each
look as the only one; 'Z levels' corrects for the looks but not for the few degrees of freedom of
each. Gains found, and pairs of pulls run, at a margin of {margin:g}%. Intervals are exact, 95%.

Made by `OPENBLAS_NUM_THREADS=1 nice -n 10 .venv/bin/python tests/calibration/looks.py --studies
{studies} --out reports`.

"""


FORESIGHT = """## What 'one more pair decides with probability' is worth

Stated before the next look, and how often that look did decide: all scenes, true effects of 0, 0.5
and 1%. The statement is a Bayesian prediction with a flat prior on the effect; over a mix of true
effects it is to be about right, not exactly.

| stated | mean stated | looks | decided |
| --- | ---: | ---: | ---: |
"""


def page_of(table: pl.DataFrame, foresight: pl.DataFrame, studies: int) -> str:
    """Return the tables to read."""
    text = INTRODUCTION.format(studies=studies, margin=MARGIN_PCT, wide=WIDE_PCT, alpha=ALPHA)
    for (scene,), own in table.group_by("scene", maintain_order=True):
        text += f"## {scene}\n\n"
        text += (
            "| method | false claims | false 'no change' | 1.5%: gain found | pairs | "
            "3%: gain found | pairs |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: |\n"
        )
        for (method,), rows in own.group_by("method", maintain_order=True):
            by = {(row["effect_pct"], row["margin_pct"]): row for row in rows.to_dicts()}
            false = " | ".join(
                f"{by[case]['false_claims']:.1%} ({by[case]['low']:.1%} to {by[case]['high']:.1%})"
                for case in CASES[:2]
            )
            power = " | ".join(
                f"{by[case]['gain']:.0%} | {by[case]['mean_pairs']:.1f}" for case in CASES[2:]
            )
            text += f"| {method.replace('_', ' ')} | {false} | {power} |\n"
        text += "\n"
    text += FORESIGHT
    for row in foresight.iter_rows(named=True):
        text += (
            f"| {row['stated_from']:.1f} to {row['stated_to']:.1f} | {row['stated_mean']:.2f} | "
            f"{row['looks']} | {row['decided']:.2f} ({row['low']:.2f} to {row['high']:.2f}) |\n"
        )
    return text


def main() -> None:
    """Judge every scene and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000, help="simulated studies a scene")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    asked = parser.parse_args()
    results, told = {}, []
    for scene in SCENES:
        results[scene] = judge(scene, asked.studies)
        told += foretell(scene, max(asked.studies // 10, 1))
        sys.stderr.write(f"{scene.name}: done\n")
    table, foresight = table_of(results), foresight_of(told)
    asked.out.mkdir(parents=True, exist_ok=True)
    table.write_csv(asked.out / "looks.csv", float_precision=5)
    foresight.write_csv(asked.out / "looks_foresight.csv", float_precision=5)
    (asked.out / "looks.md").write_text(page_of(table, foresight, asked.studies), encoding="utf-8")


if __name__ == "__main__":
    main()
