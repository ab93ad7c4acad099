"""From an effect on the log scale to bounds in percent, regions, and the verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.comparison import Overall, Region, Verdict
from dynostats.analysis.effect import Effect
from dynostats.analysis.question import Question
from dynostats.analysis.verdict import Bounds, decide, find_regions, unknown_region
from dynostats.arrays import Floats

# A claim must hold over at least this much engine speed: the smoothing kernel spans 300 rpm, so
# anything shorter may be one wiggle of noise.
SHORTEST_REGION_RPM = 150.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conclusion:
    """What the bounds of an effect say.

    Args:
        bounds: Effect and bounds by engine speed, percent; None when the noise is unknown.
        regions: Contiguous runs with one verdict each.
        verdict: Over the whole band.
        overall: The band mean.
    """

    bounds: Bounds | None
    regions: tuple[Region, ...]
    verdict: Verdict
    overall: Overall


def _bounds(effect: Effect) -> Bounds | None:
    """Return simultaneous bounds, and pointwise ones of level 1 - 2 alpha, in percent."""
    if effect.spread is None or effect.curve_factor is None or effect.pointwise_factor is None:
        return None
    half = effect.curve_factor * effect.spread.curve
    near = effect.pointwise_factor * effect.spread.curve
    return Bounds(
        rpm=effect.rpm,
        effect=percent(effect.curve),
        low=percent(effect.curve - half),
        high=percent(effect.curve + half),
        low_pointwise=percent(effect.curve - near),
        high_pointwise=percent(effect.curve + near),
    )


def percent(log_ratio: Floats) -> Floats:
    """Return a log ratio as percent of the baseline."""
    return 100.0 * np.expm1(log_ratio)


def conclude(effect: Effect, question: Question, *, mean_kw: float) -> Conclusion:
    """Turn an effect into regions, a verdict and the band mean.

    Args:
        effect: The effect.
        question: Margin and alpha are used.
        mean_kw: Baseline power, mean over the band, kW.
    """
    bounds = _bounds(effect)
    overall = _overall(effect, question.margin_pct, mean_kw)
    if bounds is None or overall.low_pct is None or overall.high_pct is None:
        return Conclusion(
            bounds=None,
            regions=(unknown_region(effect.rpm, percent(effect.curve)),),
            verdict="undecided",
            overall=overall,
        )
    regions = find_regions(bounds, margin_pct=question.margin_pct, shortest_rpm=SHORTEST_REGION_RPM)
    interval = (overall.low_pct, overall.high_pct)
    verdict = decide(regions, bounds, interval, margin_pct=question.margin_pct)
    return Conclusion(
        bounds=bounds,
        regions=regions,
        verdict=verdict,
        overall=overall,
    )


def _overall(effect: Effect, margin_pct: float, mean_kw: float) -> Overall:
    in_percent, in_kw = effect.means
    low = high = (None, None)
    if effect.spread is not None and effect.means_factor is not None:
        half = effect.means_factor * effect.spread.means
        low = (as_percent(in_percent - half[0]), mean_kw * float(np.expm1(in_kw - half[1])))
        high = (as_percent(in_percent + half[0]), mean_kw * float(np.expm1(in_kw + half[1])))
    return Overall(
        effect_pct=as_percent(in_percent),
        low_pct=low[0],
        high_pct=high[0],
        effect_kw=mean_kw * float(np.expm1(in_kw)),
        low_kw=low[1],
        high_kw=high[1],
        probability_gain_over_margin=_probability(effect, margin_pct),
    )


def as_percent(log_ratio: float) -> float:
    """Return one log ratio as percent of the baseline."""
    return 100.0 * float(np.expm1(log_ratio))


def _probability(effect: Effect, margin_pct: float) -> float | None:
    if effect.spread is None or effect.draws is None:
        return None
    plausible = effect.means[0] - effect.spread.means[0] * effect.draws.means[:, 0, 0]
    return float(np.mean(plausible > np.log1p(margin_pct / 100.0)))
