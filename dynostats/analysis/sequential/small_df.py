"""Looks at a statistic whose standard error is estimated anew each time, from few df.

Boundaries of Z hold for a known standard error. With few degrees of freedom the statistic is a t
whose denominator grows surer from look to look, so that its values at two looks agree less than
those of Z do: even each look tested at the level of its Z boundary by its own t distribution claims
too often (5.5 to 6.2% at a nominal 5%, measured in reports/looks.md). Here the paths of (score,
variance) are simulated as such, and each look gets the boundary that spends its share.

The variance at look k is that of a chi-square with df_k degrees of freedom which contains the
chi-square of the look before: squares of contrasts are added, none is lost. Source for the process:
Jennison & Turnbull (1991), Biometrika 78:133, exact calculations for sequential t tests; there by
integration, here by simulation with a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from dynostats.analysis.sequential.spending import Rule, check_times, spent_by
from dynostats.arrays import Floats

PATHS = 100_000
SEED = 20_250_302
# Shares of the error that fewer simulated paths than this decide are tested at their own size: a
# sum of errors is never below the chance of any.
LEAST_PATHS = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paths:
    """Simulated studies without effect.

    Args:
        score: Score at each look over the root of its time (Z), shape (paths, looks).
        spread: Estimated over true standard error at each look, shape (paths, looks).
        root_time: Root of the share of information at each look, shape (looks,).
    """

    score: Floats
    spread: Floats
    root_time: Floats

    def statistics(self, drift: float = 0.0) -> Floats:
        """Return t at each look where the mean of Z at full information is `drift`."""
        return (self.score + drift * self.root_time) / self.spread


def simulate_paths(times: Sequence[float], dfs: Sequence[float], *, paths: int = PATHS) -> Paths:
    """Simulate scores and their estimated standard errors.

    Args:
        times: Share of the full information at each look, not decreasing, above 0.
        dfs: Degrees of freedom at each look, above 0; where they fall, they count as unchanged.
        paths: How many studies.
    """
    rng = np.random.default_rng(SEED)
    time = np.array(times, dtype=np.float64)
    steps = np.diff(time, prepend=0.0)
    score = np.cumsum(rng.standard_normal((paths, len(time))) * np.sqrt(steps), axis=1)
    grown = np.maximum.accumulate(np.array(dfs, dtype=np.float64))
    squares = _added_squares(score, time, np.diff(grown, prepend=0.0), rng)
    return Paths(
        score=score / np.sqrt(time),
        spread=np.sqrt(np.cumsum(squares, axis=1) / grown),
        root_time=np.sqrt(time),
    )


def _added_squares(score: Floats, time: Floats, added: Floats, rng: np.random.Generator) -> Floats:
    """Return the squares that each look adds to the estimated variance, shape (paths, looks).

    One of the contrasts added is the difference between the effect in the new pulls and in those
    before: it moves the score too, so it is taken from there. The others are free.
    """
    squares = np.zeros_like(score)
    for look, df in enumerate(added):
        free = df
        if look > 0:
            own = min(df, 1.0)
            squares[:, look] = own * _surprise(score, time, look) ** 2
            free = df - own
        if free > 0:
            squares[:, look] += rng.chisquare(free, len(score))
    return squares


def _surprise(score: Floats, time: Floats, look: int) -> Floats:
    """Return the new pulls' effect less the old ones', standardised, shape (paths,)."""
    step = time[look] - time[look - 1]
    if step <= 0.0:  # no news of the effect: nothing to be surprised at
        return np.zeros(len(score))
    new = (score[:, look] - score[:, look - 1]) / step
    old = score[:, look - 1] / time[look - 1]
    return (new - old) / np.sqrt(1.0 / step + 1.0 / time[look - 1])


def student_levels(
    rule: Rule,
    times: Sequence[float],
    dfs: Sequence[float],
    *,
    looks: int,
    alpha: float,
    least: float = 0.0,
    paths: int = PATHS,
) -> tuple[float, ...]:
    """Return the two-sided level of the t test at each look that spends a rule's error.

    Args:
        rule: The rule.
        times: Share of the planned information at each look, increasing.
        dfs: Degrees of freedom at each look.
        looks: Looks planned.
        alpha: Two-sided error over all looks.
        least: Smallest level that can be tested at. A look that would get less gets none, and
            leaves its share to the next.
        paths: Simulated studies.

    Returns:
        One level a look; 0 where nothing may be claimed.

    Raises:
        AnalysisError: Looks or information are out of range.
    """
    check_times(times, looks)
    spent = spent_by(rule, times, looks=looks, alpha=alpha)
    size = np.abs(simulate_paths(times, dfs, paths=paths).statistics())
    df = np.maximum.accumulate(np.array(dfs, dtype=np.float64))
    going = np.ones(paths, dtype=np.bool_)
    found: list[float] = []
    used = 0.0
    for look, until in enumerate(spent):
        level = _level(size[going, look], until - used, float(df[look]), paths)
        if level <= 0.0 or level < least:
            found.append(0.0)
            continue
        found.append(level)
        used = until
        going &= size[:, look] <= student_t.isf(level / 2.0, df[look])
    return tuple(found)


def _level(size: Floats, share: float, df: float, paths: int) -> float:
    """Return the level that a share of all paths exceeds among those still going."""
    wanted = round(share * paths)
    if wanted < LEAST_PATHS:
        return max(float(share), 0.0)
    bound = np.partition(size, len(size) - wanted)[len(size) - wanted]
    return float(2.0 * student_t.sf(bound, df))


def student_power(
    simulated: Paths, dfs: Sequence[float], levels: Sequence[float], *, drift: float
) -> Floats:
    """Return the chance of claiming first at each look, on the effect's own side, shape (looks,).

    Args:
        simulated: Studies without effect, of these looks and degrees of freedom.
        dfs: Degrees of freedom at each look.
        levels: Two-sided level at each look.
        drift: True effect over the true standard error at full information.
    """
    statistic = simulated.statistics(drift)
    df = np.maximum.accumulate(np.array(dfs, dtype=np.float64))
    going = np.ones(len(statistic), dtype=np.bool_)
    first = np.zeros(len(levels))
    for look, level in enumerate(levels):
        if level <= 0.0:
            continue
        bound = student_t.isf(level / 2.0, df[look])
        first[look] = np.mean(going & (statistic[:, look] > bound))
        going &= np.abs(statistic[:, look]) <= bound
    return first
