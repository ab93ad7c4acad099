"""Group-sequential boundaries: how large a statistic must be when it is looked at several times.

A score S with independent normal increments, variance t (the share of the information that is in)
and drift theta x t is looked at at t_1 < t_2 < ... <= 1; its statistic is Z = S / sqrt(t). The
density of S over the paths that have not crossed yet is carried from look to look by numerical
integration. Source: Armitage, McPherson & Rowe (1969), JRSS A 132:235; Jennison & Turnbull (2000),
Group Sequential Methods with Applications to Clinical Trials, ch. 19.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.stats import norm

from dynostats.arrays import Floats

# Gauss-Legendre nodes across the region that has not crossed; more where a step is small.
NODES = 32
NODES_PER_STEP = 5.0
# Beyond so many standard deviations there is nothing to integrate.
FAR = 8.5
# Boundaries are looked for up to here; a crossing beyond has a chance below 1e-16.
HIGHEST_Z = 8.3
PRECISION = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exits:
    """Chances of crossing first at each look.

    Args:
        upper: Above the upper boundary, shape (looks,).
        lower: Below the lower one, shape (looks,).
    """

    upper: Floats
    lower: Floats

    @property
    def total(self) -> float:
        """Return the chance of crossing at any look."""
        return float(self.upper.sum() + self.lower.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Going:
    """Paths that have not crossed yet: nodes of the score, and density times weight at each."""

    at: float
    score: Floats
    mass: Floats

    def exits(self, time: float, bound: float, drift: float) -> tuple[float, float]:
        """Return the chances of standing above and below the boundary at a later look."""
        step = np.sqrt(time - self.at)
        mean = self.score + drift * (time - self.at)
        edge = bound * np.sqrt(time)
        upper = norm.sf((edge - mean) / step)
        lower = norm.cdf((-edge - mean) / step)
        return float(self.mass @ upper), float(self.mass @ lower)

    def onward(self, time: float, bound: float, drift: float) -> _Going:
        """Return the paths that have not crossed at a later look either."""
        step = np.sqrt(time - self.at)
        edge = min(bound, FAR + abs(drift) * np.sqrt(time)) * np.sqrt(time)
        node, weight = _nodes(max(1, int(np.ceil(NODES_PER_STEP * 2.0 * edge / step / NODES))))
        score = edge * node
        mean = self.score + drift * (time - self.at)
        density = norm.pdf((score[:, None] - mean[None, :]) / step) / step
        return _Going(at=time, score=score, mass=(density @ self.mass) * weight * edge)


@cache
def _nodes(blocks: int) -> tuple[Floats, Floats]:
    """Return Gauss-Legendre nodes on -1 to 1 and their weights, so many blocks of `NODES`."""
    return np.polynomial.legendre.leggauss(blocks * NODES)


def _start() -> _Going:
    return _Going(at=0.0, score=np.zeros(1), mass=np.ones(1))


def exit_chances(times: Sequence[float], bounds: Sequence[float], *, drift: float = 0.0) -> Exits:
    """Return the chances of crossing first at each look.

    Args:
        times: Share of the full information at each look, increasing, above 0.
        bounds: Boundary of |Z| at each look.
        drift: Mean of Z at full information: effect over its standard error then.
    """
    going = _start()
    upper: list[float] = []
    lower: list[float] = []
    for time, bound in zip(times, bounds, strict=True):
        above, below = going.exits(time, bound, drift)
        upper.append(above)
        lower.append(below)
        going = going.onward(time, bound, drift)
    return Exits(upper=np.array(upper), lower=np.array(lower))


def spending_bounds(times: Sequence[float], spent: Sequence[float]) -> tuple[float, ...]:
    """Return the boundaries of |Z| that spend an error as stated, look by look.

    Args:
        times: Share of the full information at each look, increasing, above 0.
        spent: Two-sided error spent up to each look, not decreasing.

    Returns:
        One boundary a look; infinite where nothing is left to spend.

    Source: Lan & DeMets (1983), Biometrika 70:659.
    """
    going = _start()
    bounds: list[float] = []
    before = 0.0
    for time, until in zip(times, spent, strict=True):
        bound = _solve(going, time, until - before)
        bounds.append(bound)
        going = going.onward(time, bound, 0.0)
        before = until
    return tuple(bounds)


def _solve(going: _Going, time: float, wanted: float) -> float:
    """Return the boundary that is crossed with a wanted chance; infinite where none is."""
    if sum(going.exits(time, HIGHEST_Z, 0.0)) >= wanted:
        return float("inf")
    low, high = 0.0, HIGHEST_Z
    while high - low > PRECISION:
        middle = (low + high) / 2.0
        if sum(going.exits(time, middle, 0.0)) > wanted:
            low = middle
        else:
            high = middle
    return high


def shaped_bounds(looks: int, alpha: float, *, power: float) -> tuple[float, ...]:
    """Return boundaries at equal steps of information whose shape is fixed.

    Args:
        looks: Number of looks, 1 or more.
        alpha: Two-sided error over all looks.
        power: The boundary at share t is constant x t^power: 0 is Pocock's, -0.5 O'Brien and
            Fleming's.

    Sources: Pocock (1977), Biometrika 64:191; O'Brien & Fleming (1979), Biometrics 35:549; Wang &
    Tsiatis (1987), Biometrics 43:193, for the family.
    """
    times = np.arange(1, looks + 1) / looks
    shape = times**power
    low, high = 0.5, HIGHEST_Z
    while high - low > PRECISION:
        middle = (low + high) / 2.0
        found = exit_chances(times.tolist(), (middle * shape).tolist()).total
        low, high = (middle, high) if found > alpha else (low, middle)
    return tuple((high * shape).tolist())
