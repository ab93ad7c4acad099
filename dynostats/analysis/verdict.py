"""From bounds to words: regions of engine speed with one verdict each, and the verdict."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.comparison import Region, Verdict
from dynostats.arrays import Floats

_UNDECIDED: list[Verdict] = ["undecided"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bounds:
    """Effect and its bounds at each grid speed, percent of the baseline.

    Args:
        rpm: Shape (speeds,).
        effect: Shape (speeds,).
        low: Simultaneous lower bounds.
        high: Simultaneous upper bounds.
        low_pointwise: Lower bounds of level 1 - 2 alpha at each speed alone.
        high_pointwise: Upper bounds, likewise.
    """

    rpm: Floats
    effect: Floats
    low: Floats
    high: Floats
    low_pointwise: Floats
    high_pointwise: Floats


def find_regions(bounds: Bounds, *, margin_pct: float, shortest_rpm: float) -> tuple[Region, ...]:
    """Cut the band into contiguous regions with one verdict each.

    Args:
        bounds: Effect and simultaneous bounds.
        margin_pct: Smallest change that matters.
        shortest_rpm: A claim over less than this cannot be told from a wiggle that the smoothing
            passes; it becomes undecided.

    Returns:
        Regions in order of speed that cover the band without gaps or overlap; one region where
        the whole band holds no meaningful change.
    """
    if within_margin(bounds, margin_pct):
        return (_whole_region(bounds),)
    words = _judge(bounds, margin_pct)
    words = _drop_short(words, bounds.rpm, shortest_rpm)
    starts = [0, *[i for i in range(1, len(words)) if words[i] != words[i - 1]], len(words)]
    return tuple(
        _region(bounds, slice(first, last), words[first])
        for first, last in itertools.pairwise(starts)
    )


def within_margin(bounds: Bounds, margin_pct: float) -> bool:
    """Tell whether the pointwise bounds lie within the margin at every speed of the band."""
    inside = (bounds.low_pointwise > -margin_pct) & (bounds.high_pointwise < margin_pct)
    return bool(inside.all())


def _whole_region(bounds: Bounds) -> Region:
    """Return the whole band as one region without meaningful change.

    The claim is about the band fixed beforehand, speed by speed, so its bounds are the means of
    the pointwise ones of level 1 - 2 alpha.
    """
    return Region(
        from_rpm=float(bounds.rpm[0]),
        to_rpm=float(bounds.rpm[-1]),
        verdict="no_meaningful_change",
        effect_pct=_mean_pct(bounds.effect),
        low_pct=_mean_pct(bounds.low_pointwise),
        high_pct=_mean_pct(bounds.high_pointwise),
    )


def unknown_region(rpm: Floats, effect: Floats) -> Region:
    """Return the whole band as undecided, for when the noise is not known."""
    return Region(
        from_rpm=float(rpm[0]),
        to_rpm=float(rpm[-1]),
        verdict="undecided",
        effect_pct=float(effect.mean()),
        low_pct=None,
        high_pct=None,
    )


def decide(
    regions: tuple[Region, ...],
    bounds: Bounds,
    overall: tuple[float, float],
    *,
    margin_pct: float,
) -> Verdict:
    """Return the verdict over the whole band.

    Args:
        regions: The regions.
        bounds: Effect and bounds at each speed.
        overall: Bounds of the band mean, in the same family as the simultaneous bounds.
        margin_pct: Smallest change that matters.

    Returns:
        'no_meaningful_change' when the pointwise bounds of level 1 - 2 alpha lie within the margin
        over the whole band: an intersection-union test of a region fixed beforehand. Source:
        Berger & Hsu (1996), Statistical Science 11:283. Else by the regions and the band mean.
    """
    if within_margin(bounds, margin_pct):
        return "no_meaningful_change"
    kinds = {region.verdict for region in regions}
    low, high = overall
    gain = "gain" in kinds or (low > 0.0 and high > margin_pct)
    loss = "loss" in kinds or (high < 0.0 and low < -margin_pct)
    if gain and loss:
        return "mixed"
    if gain:
        return "gain"
    return "loss" if loss else "undecided"


def _judge(bounds: Bounds, margin_pct: float) -> list[Verdict]:
    within = (bounds.low > -margin_pct) & (bounds.high < margin_pct)
    words: list[Verdict] = []
    for at in range(len(bounds.rpm)):
        if within[at]:
            words.append("no_meaningful_change")
        elif bounds.low[at] > 0.0:
            words.append("gain")
        elif bounds.high[at] < 0.0:
            words.append("loss")
        else:
            words.append("undecided")
    return words


def _drop_short(words: list[Verdict], rpm: Floats, shortest_rpm: float) -> list[Verdict]:
    kept = list(words)
    first = 0
    for at in range(1, len(words) + 1):
        if at < len(words) and words[at] == words[first]:
            continue
        if rpm[at - 1] - rpm[first] < shortest_rpm:
            kept[first:at] = _UNDECIDED * (at - first)
        first = at
    return kept


def _region(bounds: Bounds, rows: slice, word: Verdict) -> Region:
    return Region(
        from_rpm=float(bounds.rpm[rows][0]),
        to_rpm=float(bounds.rpm[rows][-1]),
        verdict=word,
        effect_pct=_mean_pct(bounds.effect[rows]),
        low_pct=_mean_pct(bounds.low[rows]),
        high_pct=_mean_pct(bounds.high[rows]),
    )


def _mean_pct(values: Floats) -> float:
    """Return the mean on the log scale, where means of bounds bound the mean; in percent."""
    return float(100.0 * np.expm1(np.log1p(values / 100.0).mean()))
