"""How late a lambda sensor reads, from how it follows air flow over fuel flow in the same sweep.

What a sensor says of a straight course hides its delay: late and leaner look alike. So a smooth
course (a cubic in time, which also holds what the meters misread over engine speed) is taken out,
and the bends that are left are laid over each other. Where there are none, nothing is estimated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.curves.sweep import Sweep, column_of

FASTER = ("air_flow", "fuel_flow")
"""Channels whose ratio is the mixture without delay."""

LONGEST_S = 2.0
LONGEST_SHARE = 0.25  # of the sweep: the start of a late channel belongs before it
STEP_S = 0.02
COARSEST_S = 0.2  # samples further apart than that hide a delay of tenths of a second
SMOOTH_S = 0.3
LEAST_ROWS = 60
# Bends this many long-run variances of the noise strong: chance reaches it once in 10^8, even at
# the best of a hundred lags (chi squared of one degree of freedom).
BENDS = 40.0
# An estimate is used when its interval is narrower than this on either side. Common practice, no
# published source.
MOST_UNSURE_S = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """How late a channel reads.

    Args:
        seconds: The lag; None where it cannot be told.
        low: Lower bound; None likewise. Of simulated sweeps nine in ten have the truth inside.
        high: Upper bound.
        why_not: Why it cannot be told; "" when it is.
    """

    seconds: float | None
    low: float | None = None
    high: float | None = None
    why_not: str = ""


def estimate_lag(samples: pl.DataFrame, pulls: Sequence[Sweep], channel: str) -> Lag:
    """Estimate how late a lambda channel reads.

    The lag is that at which a line in the ratio of air flow to fuel flow fits the channel best. Its
    error follows from how sharp the best fit is and from the noise of both, which is alike in
    neighbouring samples.

    Args:
        samples: One row a sample in file order.
        pulls: The sweeps to look at, taken together.
        channel: The late channel.

    Source:
        Knapp & Carter (1976), IEEE Trans. ASSP 24:320, delay by the greatest correlation; Newey &
        West (1987), Econometrica 55:703, the variance of noise alike in neighbours; Kiefer &
        Vogelsang (2005), Econometric Theory 21:1130, its critical value (coefficients from memory).
    """
    missing = [name for name in (*FASTER, "time") if name not in samples.columns]
    if missing:
        return Lag(seconds=None, why_not=f"there is no {' and no '.join(missing)}")
    if any(pull.steps for pull in pulls):
        return Lag(seconds=None, why_not="speed was held step by step")
    parts = [part for pull in pulls if (part := _lay_over(samples, pull, channel)) is not None]
    if not parts:
        return Lag(seconds=None, why_not="it has too few samples, or too far apart")
    shortest = min(len(part.moved) for part in parts)
    moved = np.concatenate([part.moved[:shortest] for part in parts], axis=1)
    bends = np.concatenate([part.bends for part in parts])
    within = max(round(2.0 * SMOOTH_S / part.step) for part in parts)
    return _decide(STEP_S * np.arange(shortest, dtype=np.float64), moved, bends, within=within)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Overlay:
    """A sweep's channel and the faster ones, a cubic in time taken out of both.

    Args:
        bends: The channel, shape (moments,).
        moved: The ratio of the faster ones, moved by each lag, shape (lags, moments).
        step: Time between moments, s.
    """

    bends: Floats
    moved: Floats
    step: float


def _lay_over(samples: pl.DataFrame, pull: Sweep, channel: str) -> _Overlay | None:
    clock, air, fuel, late = (
        column_of(samples, name)[pull.rows] for name in ("time", *FASTER, channel)
    )
    known = np.isfinite(clock) & np.isfinite(air) & (fuel > 0.0) & np.isfinite(late)
    clock, late, ratio = clock[known], late[known], air[known] / fuel[known]
    if len(clock) < LEAST_ROWS or not (np.diff(clock) > 0.0).all():
        return None
    step = float(np.median(np.diff(clock)))
    if step > COARSEST_S or np.diff(clock).max() > 5.0 * step:
        return None
    even = clock[0] + step * np.arange(int((clock[-1] - clock[0]) / step) + 1)
    fast, slow = (_calm(np.interp(even, clock, values), step) for values in (ratio, late))
    longest = min(LONGEST_S, LONGEST_SHARE * float(clock[-1] - clock[0]))
    lags = np.arange(0.0, longest, STEP_S)
    here = even >= even[0] + lags[-1]
    moved = np.array([np.interp(even[here] - lag, even, fast) for lag in lags])
    course = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, int(here.sum())), 3)
    basis: Floats = np.linalg.qr(course)[0]
    return _Overlay(
        bends=slow[here] - basis @ (basis.T @ slow[here]),
        moved=moved - (moved @ basis) @ basis.T,
        step=step,
    )


def _calm(values: Floats, step: float) -> Floats:
    """Smooth evenly about each sample: reading between noisy samples makes some lags fit better."""
    weights = np.hanning(2 * max(round(SMOOTH_S / step / 2.0), 1) + 3)[1:-1]
    share = np.convolve(np.ones_like(values), weights, mode="same")
    return np.convolve(values, weights, mode="same") / share


def _decide(lags: Floats, moved: Floats, bends: Floats, *, within: int) -> Lag:
    """Return the lag of the best fit, if it is sure enough.

    Args:
        lags: Lags tried, s, shape (lags,).
        moved: The faster ones moved by each, shape (lags, moments).
        bends: The channel, shape (moments,).
        within: Over how many samples noise may be alike.
    """
    alike = np.maximum(moved @ bends, 0.0)
    slope = alike / np.maximum((moved**2).sum(axis=1), 1e-300)
    explained = slope * alike
    top = int(explained.argmax())
    left = bends - slope[top] * moved[top]
    if explained[top] < BENDS * _long_run(left, within):
        return Lag(
            seconds=None,
            why_not=f"over this sweep no bend of {FASTER[0]} over {FASTER[1]} shows in it plainly",
        )
    reach = round(SMOOTH_S / STEP_S)
    before, after = explained[max(top - reach, 0)], explained[min(top + reach, len(lags) - 1)]
    curvature = (2.0 * explained[top] - before - after) / (2.0 * SMOOTH_S**2 * slope[top])
    if not 0 < top < len(lags) - 1 or curvature <= 0.0:
        return Lag(seconds=None, why_not=f"it fits best at {lags[top]:.2f} s, the end of what fits")
    score = left * (moved[top + 1] - moved[top - 1]) / (2.0 * STEP_S)
    error = float(np.sqrt(len(score) * _long_run(score, within))) / curvature
    best = _peak(lags, explained, top)
    half = _critical(within / len(score)) * error
    if half > MOST_UNSURE_S or half >= best:
        return Lag(
            seconds=None,
            why_not=f"{best:.2f} s fits best, give or take {half:.2f} s: the mixture bends too "
            "little over this sweep to tell",
        )
    return Lag(seconds=best, low=best - half, high=best + half)


def _long_run(noise: Floats, within: int) -> float:
    """Return the long-run variance of noise a sample that is alike within some samples."""
    products = [float(noise[: len(noise) - k] @ noise[k:]) for k in range(within + 1)]
    weights = 1.0 - np.arange(within + 1) / (within + 1.0)
    total = products[0] + 2.0 * float(weights[1:] @ np.array(products[1:]))
    return max(total, products[0]) / len(noise)


def _critical(share: float) -> float:
    """Return how many such SDs hold 95%, when noise may be alike within a share of the samples."""
    return 1.96 + 2.9694 * share + 0.4160 * share**2 - 0.5324 * share**3


def _peak(lags: Floats, explained: Floats, top: int) -> float:
    """Return the lag of the best fit, between the lags tried by a parabola."""
    before, at, after = explained[top - 1 : top + 2]
    bend = before - 2.0 * at + after
    return float(lags[top] + (STEP_S * 0.5 * (before - after) / bend if bend < 0.0 else 0.0))
