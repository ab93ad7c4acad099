"""When did the level change: change points by permutation, with their dates.

The largest step between what lies before and after a place is held against the largest step that
the same values show in other orders. Under no change every order is as likely, so the chance of a
false change is at most alpha whatever the distribution. It supposes values that do not follow one
another: drifting or autocorrelated values raise false alarms. A level that went up and came back by
as much may be missed: the charts show it.

Source: Sen & Srivastava (1975), Annals of Statistics 3:98, for the largest standardised step
(likelihood ratio of one normal change); Scott & Knott (1974), Biometrics 30:507, for splitting
again; Good (2005), Permutation, Parametric and Bootstrap Tests of Hypotheses, for the permutation.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.stats import t as student_t

from dynostats.arrays import Floats, Ints

# A level needs so many values on either side: one odd value is a signal of the chart, no change.
LEAST_SIDE = 2
# Up to so many values all orders are looked at (8! = 40,320), else so many at random.
EXACT_UP_TO = 8
ORDERS = 9_999
SEED = 20_260_302
# Orders that give the same step but for rounding.
_TIED = 1.0 - 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """One change of level.

    Args:
        place: Values before it, counted from the first of all.
        p_value: Share of orders with a step at least as large, the observed one counted.
    """

    place: int
    p_value: float


def find_changes(values: Floats, *, alpha: float) -> tuple[Split, ...]:
    """Find the places where the level of a series changed, in order.

    Args:
        values: In order of time, shape (values,).
        alpha: Chance of any change found where there is none.
    """
    return tuple(_split(values, 0, alpha, np.random.default_rng(SEED)))


def measure_step(before: Floats, after: Floats) -> tuple[float, float | None, float | None]:
    """Return mean after less mean before with its 95% interval; None without replicates."""
    step = float(after.mean() - before.mean())
    df = len(before) + len(after) - 2
    if df < 1:
        return step, None, None
    squares = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum())
    error = math.sqrt(squares / df * (1.0 / len(before) + 1.0 / len(after)))
    half = float(student_t.ppf(0.975, df)) * error
    return step, step - half, step + half


def _split(values: Floats, first: int, alpha: float, rng: np.random.Generator) -> Iterator[Split]:
    if len(values) < 2 * LEAST_SIDE:
        return
    place, p_value = find_largest_step(values, rng)
    if p_value > alpha:
        return
    yield from _split(values[:place], first, alpha, rng)
    yield Split(place=first + place, p_value=p_value)
    yield from _split(values[place:], first + place, alpha, rng)


def find_largest_step(values: Floats, rng: np.random.Generator) -> tuple[int, float]:
    """Return the likeliest place of a change, and its p value.

    Args:
        values: At least four, shape (values,).
        rng: For the orders drawn where there are too many.
    """
    steps = _steps(values[None, :])[0]
    largest = float(steps.max())
    place = LEAST_SIDE + int(steps.argmax())
    if largest <= 0.0:  # all values alike
        return place, 1.0
    if len(values) <= EXACT_UP_TO:
        orders = values[_every_order(len(values))]
        return place, float((_steps(orders).max(axis=1) >= _TIED * largest).mean())
    orders = rng.permuted(np.broadcast_to(values, (ORDERS, len(values))), axis=1)
    larger = int((_steps(orders).max(axis=1) >= _TIED * largest).sum())
    return place, (1 + larger) / (1 + ORDERS)


@cache
def _every_order(count: int) -> Ints:
    """Return every order of so many places, shape (orders, places)."""
    return np.array(list(itertools.permutations(range(count))), dtype=np.intp)


def _steps(orders: Floats) -> Floats:
    """Return the square of the standardised step at each place, shape (orders, places).

    The total sum of squares is the same in every order, so it need not be divided by.
    """
    count = orders.shape[1]
    away = orders - orders.mean(axis=1, keepdims=True)
    before = np.arange(LEAST_SIDE, count - LEAST_SIDE + 1)
    sums = np.cumsum(away, axis=1)[:, before - 1]
    return sums**2 * count / (before * (count - before))
