"""Leaf values: a number never travels without its interval and level."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A two-sided interval.

    Args:
        low: Lower end, in the unit of the quantity.
        high: Upper end.
        level: Coverage, e.g. 0.95.
    """

    low: float
    high: float
    level: float
