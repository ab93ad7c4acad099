"""Heat soak: how far charge and medium warm in a pull, and how much of it is gone before the next.

A cooler's metal and its medium take up heat during a pull and give it off between pulls. What is
left when the next pull begins is a drift of the charge over the run order.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import stdtrit

from dynostats.analysis.channel_change import LEAST_DF, Measured, value_of
from dynostats.analysis.contrasts import within_sessions
from dynostats.analysis.side_channels import SideChannels
from dynostats.arrays import Floats

CHARGE, MEDIUM = "charge_temperature", "cooler_medium_temperature"
# A share of a smaller rise than this, K, is mostly error of reading.
LEAST_RISE_K: Final = 1.0


def measure_heat_soak(channels: SideChannels) -> tuple[Measured, ...]:
    """Return rises, recovery and drift, as far as the channels tell them."""
    found: list[Measured | None] = []
    for name, words in ((CHARGE, "charge temperature"), (MEDIUM, "cooler medium")):
        if channels.has(name):
            found += [_rise(channels, name, words), _drift(channels, name, words)]
    if channels.has(MEDIUM):
        found.append(_recovery(channels))
    return tuple(one for one in found if one is not None)


def _ends(channels: SideChannels, name: str) -> Floats | None:
    """Return a channel at the first and last speed that the compared pulls share."""
    kept = np.flatnonzero(channels.shared(channels.values[name]))
    return channels.values[name][:, kept[[0, -1]]] if len(kept) else None


def _rise(channels: SideChannels, name: str, words: str) -> Measured | None:
    ends = _ends(channels, name)
    if ends is None:
        return None
    changes = channels.changes((ends[:, 1] - ends[:, 0])[:, None])
    return None if changes is None else changes.at(0, name=f"{words}, rise in a pull", unit="K")


def _drift(channels: SideChannels, name: str, words: str) -> Measured | None:
    """Return the slope over the run order of the study's sessions, K a pull."""
    kept = channels.shared(channels.values[name])
    means = channels.values[name][:, kept].mean(axis=1) if kept.any() else np.zeros(0)
    rows = channels.own[np.isfinite(means[channels.own])] if len(means) else channels.own[:0]
    if not len(rows):
        return None
    pulls = channels.pulls.take(rows)
    found = within_sessions(means[rows][:, None], pulls.session, pulls.setup, pulls.order)
    weight = float(found.spread.sum())
    if not weight:
        return None
    slope = float((np.sqrt(found.spread) * found.slope[:, 0]).sum()) / weight
    df = len(found.pull)
    half = np.nan
    if df >= LEAST_DF:
        error = np.sqrt(float(np.mean(found.pull[:, 0] ** 2)) / weight)
        half = float(stdtrit(df, 1.0 - channels.alpha / 2.0)) * error
    return Measured(
        name=f"{words}, drift over the run order",
        unit="K a pull",
        baseline=None,
        candidate=None,
        change=value_of(slope, half),
        baseline_pulls=pulls.setup.count(channels.baseline),
        candidate_pulls=pulls.setup.count(channels.candidate),
        df=df,
        why="" if np.isfinite(half) else "too few pulls of one setup share a session",
    )


def _recovery(channels: SideChannels) -> Measured | None:
    """Return the share of a pull's rise that the medium lost before the next, by its setup."""
    ends = _ends(channels, MEDIUM)
    if ends is None:
        return None
    shares: dict[str, list[float]] = {channels.baseline: [], channels.candidate: []}
    for first, second in _followed(channels):
        rise = float(ends[first, 1] - ends[first, 0])
        setup = channels.pulls.setup[first]
        left = float(ends[first, 1] - ends[second, 0])
        if setup in shares and rise >= LEAST_RISE_K and np.isfinite(left):
            shares[setup].append(100.0 * left / rise)
    sides = [np.array(one) for one in shares.values()]
    if not all(len(one) for one in sides):
        return None
    df = sum(len(one) for one in sides) - 2
    enough = df >= LEAST_DF
    squares = sum(float(((one - one.mean()) ** 2).sum()) for one in sides)
    variance = squares / df if enough else np.nan
    factor = float(stdtrit(df, 1.0 - channels.alpha / 2.0)) if enough else np.nan
    values = [value_of(float(one.mean()), factor * np.sqrt(variance / len(one))) for one in sides]
    spread = variance * sum(1.0 / len(one) for one in sides)
    return Measured(
        name="cooler medium, share of the rise gone before the next pull",
        unit="% of the rise",
        baseline=values[0],
        candidate=values[1],
        change=value_of(values[1].value - values[0].value, factor * np.sqrt(spread)),
        baseline_pulls=len(sides[0]),
        candidate_pulls=len(sides[1]),
        df=df,
        why="" if enough else "too few pulls were followed by another in the same session",
    )


def _followed(channels: SideChannels) -> list[tuple[int, int]]:
    """Return the pulls of the study that another followed at once in its session."""
    pulls, own = channels.pulls, channels.own
    places: dict[tuple[str, float], int] = {
        (pulls.session[row], float(pulls.order[row])): row for row in own.tolist()
    }
    return [
        (row, places[session, order + 1.0])
        for (session, order), row in places.items()
        if (session, order + 1.0) in places
    ]
