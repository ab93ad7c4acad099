"""Single values of a result as text."""

from __future__ import annotations

from dynostats.analysis.comparison import Influence, Overall, Region
from dynostats.report.numbers import Quantity, digits_for, interval, percent


def kilowatts(value: float, *, signed: bool = False, bare: bool = False) -> Quantity:
    """Return a power as a quantity with one decimal."""
    return Quantity(value=value, kind="kw", signed=signed, bare=bare)


def effect_text(of: Overall | Region | Influence) -> str:
    """Return a mean difference with as many decimals as its interval has."""
    return percent(of.effect_pct, digits_for(of.low_pct, of.high_pct), signed=True)


def interval_text(low: float | None, high: float | None) -> str:
    """Return the bounds of a percentage, or "unknown"."""
    if low is None or high is None:
        return "unknown"
    return interval(low, high, digits_for(low, high))


def sd_text(value: float | None) -> str:
    """Return a standard deviation in percent, or "unknown"."""
    return "unknown" if value is None else percent(value, 2)
