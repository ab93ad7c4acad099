"""What the next look would say, given the pulls so far.

Predictive probability: the effect is uncertain as the pulls so far leave it (flat prior), the next
pulls add noise of the same kind, and the product's own verdict is given on each simulated outcome.
Source: Spiegelhalter, Freedman & Blackburn (1986), Controlled Clinical Trials 7:8 (predictive
power); Jennison & Turnbull (2000), section 10.3.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.analysis.conclude import SHORTEST_REGION_RPM, percent
from dynostats.analysis.verdict import Bounds, decide, find_regions
from dynostats.arrays import Floats

OUTCOMES = 400
SEED = 20_250_303


def foresee(now: Comparison, *, df: float, growth: float) -> dict[Verdict, float]:
    """Return the chance of each verdict when more pulls are in.

    Args:
        now: The comparison of the pulls so far, at the level of the look to come; with bounds.
        df: Degrees of freedom of the mean now.
        growth: Information then over information now, above 1.
    """
    rng = np.random.default_rng(SEED)
    effect = _logs(now, "effect_pct")
    half, near = (_half(now, low, high) for low, high in _ENDS)
    critical = now.method["curve_critical_value"]
    mean_critical = now.method["mean_critical_value"]
    overall = now.overall
    if not isinstance(critical, float) or not isinstance(mean_critical, float):
        return {"undecided": 1.0}
    if overall.low_pct is None or overall.high_pct is None:
        return {"undecided": 1.0}
    mean_half = (np.log1p(overall.high_pct / 100.0) - np.log1p(overall.low_pct / 100.0)) / 2.0
    error = half / critical
    root = _root(now, error, mean_half / mean_critical)
    # What the new estimate moves by, given the old: variance now less variance then.
    moved = np.sqrt(1.0 - 1.0 / growth)
    # The error's own size is known with df degrees of freedom.
    size = np.sqrt(df / rng.chisquare(df, OUTCOMES))
    drawn = rng.standard_normal((OUTCOMES, len(root))) @ root * (moved * size)[:, None]
    shrunk = 1.0 / np.sqrt(growth)
    counts: Counter[Verdict] = Counter()
    for row in drawn:
        bounds = _bounds(now, effect + row, half * shrunk, near * shrunk)
        mean = float((effect + row).mean())
        interval = tuple(
            100.0 * float(np.expm1(mean + side * mean_half * shrunk)) for side in (-1.0, 1.0)
        )
        regions = find_regions(bounds, margin_pct=now.margin_pct, shortest_rpm=SHORTEST_REGION_RPM)
        verdict = decide(regions, bounds, (interval[0], interval[1]), margin_pct=now.margin_pct)
        counts[verdict] += 1
    return {verdict: count / OUTCOMES for verdict, count in counts.items()}


_ENDS = (("low_pct", "high_pct"), ("low_pointwise_pct", "high_pointwise_pct"))


def _logs(now: Comparison, column: str) -> Floats:
    return np.log1p(now.curve[column].to_numpy() / 100.0)


def _half(now: Comparison, low: str, high: str) -> Floats:
    return (_logs(now, high) - _logs(now, low)) / 2.0


def _bounds(now: Comparison, effect: Floats, half: Floats, near: Floats) -> Bounds:
    return Bounds(
        rpm=now.curve["rpm"].to_numpy(),
        effect=percent(effect),
        low=percent(effect - half),
        high=percent(effect + half),
        low_pointwise=percent(effect - near),
        high_pointwise=percent(effect + near),
    )


def _root(now: Comparison, error: Floats, mean_error: float) -> Floats:
    """Return a square root of the covariance of the effect curve, shape (speeds, speeds).

    Its diagonal is that of the bounds; its correlation falls with the lag as the noise's does, and
    a share of it is common to all speeds, as much as the error of the mean asks for.
    """
    rpm = now.curve["rpm"].to_numpy()
    length = now.noise.correlation_rpm
    lag = rpm[:, None] - rpm[None, :]
    local = np.ones_like(lag) if length is None else np.exp(-((lag / length) ** 2))
    weight = error / len(error)
    own, common = float(weight @ local @ weight), float(weight.sum() ** 2)
    share = 1.0 if common <= own else (mean_error**2 - own) / (common - own)
    share = float(np.clip(share, 0.0, 1.0))
    covariance = ((1.0 - share) * local + share) * np.outer(error, error)
    size, basis = np.linalg.eigh(covariance)
    return (basis * np.sqrt(np.clip(size, 0.0, None))).T
