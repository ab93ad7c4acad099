"""Simulated studies of a scenario, judged by dynostats and by the ways shops and handbooks go."""

from __future__ import annotations

import warnings
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from cells import Cell, layout_of
from scipy.stats import t as student_t

from dynostats.analysis.conclude import conclude
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import estimate_effect
from dynostats.analysis.question import Question
from dynostats.simulate import shape_noise, simulate_curves

try:
    import spm1d
except ImportError:  # the random-field rival is an optional extra of the benchmarks
    spm1d = None

RPM = np.arange(2000.0, 6451.0, 50.0)
EFFECTS_PCT = (0.5, 1.0, 1.5, 2.0, 4.0)
MARGIN_PCT = 0.5
CLAIMS = {"gain", "loss", "mixed"}
QUESTION = Question(engine="S", baseline="A", candidate="B", margin_pct=MARGIN_PCT)
# A cell drifts by a tenth of a percent a pull in the drifting scenarios.
DRIFT_PCT = -0.1
# By eye: one mean curve lies this far off the other over at least this many grid speeds.
EYE_PCT, EYE_SPEEDS = 1.0, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What happened over the studies of a scenario, by method and event."""

    studies: int
    counts: Counter


def judge(cell: Cell, studies: int, *, seed: int, draws: int = 2000, rivals: bool = True) -> Tally:
    """Simulate studies of no effect, judge them, and judge them again with effects added.

    A flat effect shifts all curves of B alike and leaves every contrast of the noise as it is, so
    each study serves for every size of effect.
    """
    rng = np.random.default_rng(seed)
    layout, engine = layout_of(cell)
    drift = DRIFT_PCT if cell.shape == "drifting" else 0.0
    noise = shape_noise(cell.shape, drift_pct_per_pull=drift)
    counts: Counter = Counter()
    for _ in range(studies):
        curves = simulate_curves(layout, RPM, noise, studies=1, rng=rng)[0]
        everything = CurveSet(
            rpm=RPM,
            log_torque=curves,
            pull=[f"P{at}" for at in range(len(curves))],
            engine=engine,
            session=[f"s{at}" for at in layout.session],
            setup=["ABCD"[at] for at in layout.setup],
            order=layout.order.astype(float),
        )
        study = everything.take(np.isin(everything.setup, ["A", "B"]))
        counts.update(judge_one(everything, study, draws))
        if rivals:
            counts.update(judge_rivals(study, cell))
    return Tally(studies=studies, counts=counts)


def judge_one(everything: CurveSet, study: CurveSet, draws: int) -> list[tuple[str, str]]:
    """Return the events of one study under dynostats."""
    effect = estimate_effect(
        everything, study, baseline="A", candidate="B", alpha=QUESTION.alpha, draws=draws
    )
    if effect.lacking:
        return [("dynostats", "no interval")]
    events = [("dynostats", "interval")]
    null = conclude(effect, QUESTION, mean_kw=100.0)
    regions = {region.verdict for region in null.regions}
    if null.verdict in CLAIMS or regions & {"gain", "loss"}:
        events.append(("dynostats", "false claim"))
    outside = (np.abs(effect.curve) > effect.curve_factor * effect.spread.curve).any() or (
        np.abs(effect.means) > effect.means_factor * effect.spread.means
    ).any()
    if outside:
        events.append(("dynostats", "not covered"))
    for size in EFFECTS_PCT:
        shift = np.log1p(size / 100.0)
        moved = replace(effect, curve=effect.curve + shift, means=effect.means + shift)
        verdict = conclude(moved, QUESTION, mean_kw=100.0).verdict
        if verdict == "gain":
            events.append(("dynostats", f"power {size:g}"))
        if verdict == "no_meaningful_change":
            events.append(("dynostats", f"called no change at {size:g}"))
    return events


def judge_rivals(study: CurveSet, cell: Cell) -> list[tuple[str, str]]:
    """Return the events of one study under the other ways, which know no history."""
    is_b = np.array([name == "B" for name in study.setup])
    before, after = study.log_torque[~is_b], study.log_torque[is_b]
    limits = field_limits(before, after, cell)
    events: list[tuple[str, str]] = []
    for size in (0.0, *EFFECTS_PCT):
        shift = np.log1p(size / 100.0)
        kind = "false claim" if size == 0.0 else f"power {size:g}"
        claims = rival_claims(before, after + shift)
        if limits is not None:
            # A shift leaves the residuals, and with them the limit, as they are.
            z = limits.z + shift / limits.error
            claims["random field"] = (
                bool((z > limits.z_star).any()),
                bool((z < -limits.z_star).any()),
            )
        for name, (gain, loss) in claims.items():
            # For power only a gain counts; of no effect any claim is false.
            if gain or (size == 0.0 and loss):
                events.append((name, kind))
    return events


def rival_claims(before, after) -> dict[str, tuple[bool, bool]]:
    """Return (claims a gain, claims a loss) of each rival that needs no library of its own."""
    difference = after.mean(axis=0) - before.mean(axis=0)
    limit = np.log1p(EYE_PCT / 100.0)
    claims = {"overlay": (longest(difference > limit), longest(difference < -limit))}
    if len(before) < 2:
        return claims
    df = len(before) + len(after) - 2
    pooled = (before.var(axis=0) * len(before) + after.var(axis=0) * len(after)) / df
    statistic = difference / np.sqrt(pooled * (1.0 / len(before) + 1.0 / len(after)))
    p_value = 2.0 * student_t.sf(np.abs(statistic), df)
    for name, rejects in (
        ("t test a speed", p_value < QUESTION.alpha),
        ("t test, Holm", holm(p_value, QUESTION.alpha)),
    ):
        up, down = rejects & (statistic > 0), rejects & (statistic < 0)
        claims[name] = (bool(up.any()), bool(down.any()))
    return claims


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldLimits:
    """The random-field test of a study: statistic, its standard error, and its limit."""

    z: np.ndarray
    error: np.ndarray
    z_star: float


def field_limits(before, after, cell: Cell) -> FieldLimits | None:
    """Judge with spm1d: two groups, or pairs where the setups alternated."""
    if spm1d is None or len(before) < 2:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if cell.design == "alternating":
            found = spm1d.stats.ttest_paired(after, before)
        else:
            found = spm1d.stats.ttest2(after, before, equal_var=True)
        z_star = float(found.inference(QUESTION.alpha, two_tailed=True).zstar)
    error = (after.mean(axis=0) - before.mean(axis=0)) / found.z
    return FieldLimits(z=found.z, error=error, z_star=z_star)


def holm(p_value: np.ndarray, alpha: float) -> np.ndarray:
    """Flag what Holm (1979), Scandinavian Journal of Statistics 6:65, rejects.

    Written out because the library's call collects garbage each time, which took most of a run.
    """
    order = np.argsort(p_value)
    passes = p_value[order] <= alpha / np.arange(len(p_value), 0, -1)
    count = len(passes) if passes.all() else int(np.argmin(passes))
    flags = np.zeros(len(p_value), dtype=bool)
    flags[order[:count]] = True
    return flags


def longest(flags) -> bool:
    """Tell whether flags hold over enough speeds in a row."""
    run = best = 0
    for flag in flags:
        run = run + 1 if flag else 0
        best = max(best, run)
    return best >= EYE_SPEEDS
