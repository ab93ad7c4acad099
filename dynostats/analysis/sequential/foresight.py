"""What the next look would say, given the pulls so far.

Predictive probability: the effect is uncertain as the pulls so far leave it (flat prior), the next
pulls add noise of the same kind, and the product's own verdict is given on each simulated outcome.
Source: Spiegelhalter, Freedman & Blackburn (1986), Controlled Clinical Trials 7:8 (predictive
power); Jennison & Turnbull (2000), section 10.3.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.analysis.conclude import SHORTEST_REGION_RPM, percent
from dynostats.analysis.verdict import Bounds, decide, find_regions
from dynostats.arrays import Floats

OUTCOMES = 400
SEED = 20_250_303


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """What of a comparison the next look follows from; all on the log scale.

    Args:
        rpm: Shape (speeds,).
        effect: Shape (speeds,).
        half: Half width of the simultaneous bounds at the level of the look to come.
        near: Half width of the pointwise ones.
        critical: Critical value of the curve: the half width is so many standard errors.
        mean_half: Half width of the bounds of the band mean.
        mean_critical: Critical value of the band mean.
        correlation_rpm: Lag at which the correlation of the noise falls to 1/e; None if it never
            does.
        margin_pct: Smallest change that matters.
    """

    rpm: Floats
    effect: Floats
    half: Floats
    near: Floats
    critical: float
    mean_half: float
    mean_critical: float
    correlation_rpm: float | None
    margin_pct: float


def outline_of(now: Comparison) -> Outline | None:
    """Return the outline of a comparison; None where it has no interval.

    Args:
        now: The comparison of the pulls so far, at the level of the look to come.
    """
    critical, mean_critical = (
        now.method[name] for name in ("curve_critical_value", "mean_critical_value")
    )
    low, high = now.overall.low_pct, now.overall.high_pct
    if not isinstance(critical, float) or not isinstance(mean_critical, float):
        return None
    if low is None or high is None:
        return None
    return Outline(
        rpm=now.curve["rpm"].to_numpy(),
        effect=_logs(now, "effect_pct"),
        half=(_logs(now, "high_pct") - _logs(now, "low_pct")) / 2.0,
        near=(_logs(now, "high_pointwise_pct") - _logs(now, "low_pointwise_pct")) / 2.0,
        critical=critical,
        mean_half=float(np.log1p(high / 100.0) - np.log1p(low / 100.0)) / 2.0,
        mean_critical=mean_critical,
        correlation_rpm=now.noise.correlation_rpm,
        margin_pct=now.margin_pct,
    )


def _logs(now: Comparison, column: str) -> Floats:
    return np.log1p(now.curve[column].to_numpy() / 100.0)


def foresee(now: Outline, *, df: float, growth: float) -> dict[Verdict, float]:
    """Return the chance of each verdict when more pulls are in.

    Args:
        now: What the pulls so far say, at the level of the look to come.
        df: Degrees of freedom of the mean now.
        growth: Information then over information now, above 1.
    """
    rng = np.random.default_rng(SEED)
    # What the new estimate moves by, given the old: variance now less variance then. Its size is
    # known with df degrees of freedom.
    moved = np.sqrt(1.0 - 1.0 / growth) * np.sqrt(df / rng.chisquare(df, OUTCOMES))
    root = _root(now)
    drawn = rng.standard_normal((OUTCOMES, len(root))) @ root * moved[:, None]
    counts: Counter[Verdict] = Counter(_verdict(now, now.effect + row, growth) for row in drawn)
    return {verdict: count / OUTCOMES for verdict, count in counts.items()}


def _verdict(now: Outline, effect: Floats, growth: float) -> Verdict:
    shrunk = 1.0 / np.sqrt(growth)
    half, near, mean = now.half * shrunk, now.near * shrunk, float(effect.mean())
    bounds = Bounds(
        rpm=now.rpm,
        effect=percent(effect),
        low=percent(effect - half),
        high=percent(effect + half),
        low_pointwise=percent(effect - near),
        high_pointwise=percent(effect + near),
    )
    low, high = (
        100.0 * float(np.expm1(mean + side * now.mean_half * shrunk)) for side in (-1.0, 1.0)
    )
    regions = find_regions(bounds, margin_pct=now.margin_pct, shortest_rpm=SHORTEST_REGION_RPM)
    return decide(regions, bounds, (low, high), margin_pct=now.margin_pct)


def _root(now: Outline) -> Floats:
    """Return a square root of the covariance of the effect curve, shape (speeds, speeds).

    Its diagonal is that of the bounds; its correlation falls with the lag as the noise's does, and
    a share of it is common to all speeds, as much as the error of the mean asks for.
    """
    error, length = now.half / now.critical, now.correlation_rpm
    lag = now.rpm[:, None] - now.rpm[None, :]
    local = np.ones_like(lag) if length is None else np.exp(-((lag / length) ** 2))
    weight = error / len(error)
    own, common = float(weight @ local @ weight), float(weight.sum() ** 2)
    wanted = (now.mean_half / now.mean_critical) ** 2
    share = 1.0 if common <= own else (wanted - own) / (common - own)
    share = float(np.clip(share, 0.0, 1.0))
    covariance = ((1.0 - share) * local + share) * np.outer(error, error)
    size, basis = np.linalg.eigh(covariance)
    return (basis * np.sqrt(np.clip(size, 0.0, None))).T
