"""Measured figures of both setups as text, for the page and for the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dynostats.analysis.channel_change import Measured, Value
from dynostats.report.numbers import Kind, Quantity, decimal
from dynostats.units import Shown, System, shown_unit

# Decimals by unit.
_DIGITS: Final = {
    "kPa": 2,
    "1": 4,
    "%": 2,
    "K": 1,
    "K a pull": 2,
    "% of the rise": 0,
    "g/kWh": 1,
    "kg/kg": 2,
}


# Kind of each unit that a page can switch, and what follows it in the head.
_KINDS: Final[dict[str, Kind]] = {"kPa": "kpa", "K": "k", "K a pull": "k"}

Bounded = tuple[Quantity, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One measured quantity, in words and figures.

    Args:
        name: What it is, with its unit.
        baseline: Of the baseline, with its interval.
        candidate: Of the candidate, with its interval.
        change: The change, with its interval.
        basis: What it rests on.
        label: What it is, without its unit.
        unit: Its unit, "" for none.
        kind: Kind of quantity where a page can show it in another unit; else None.
        quantities: Change, baseline and candidate again, for such a page; each the value alone, or
            with its bounds; empty where there is none.
    """

    name: str
    baseline: str
    candidate: str
    change: str
    basis: str
    label: str
    unit: str
    kind: Kind | None
    quantities: tuple[Bounded, Bounded, Bounded]


def figure_rows(measured: tuple[Measured, ...], system: System = "si") -> tuple[FigureRow, ...]:
    """Return one row a quantity: both setups and the change, each with its interval.

    Args:
        measured: What was measured, in stored units.
        system: Units of the text.
    """
    return tuple(_row(one, shown_unit(one.unit, system)) for one in measured)


def _row(one: Measured, shown: Shown) -> FigureRow:
    unit = "" if one.unit == "1" else f" [{shown.name}]"
    signed = one.unit == "%"
    spare = f", {one.df} repeats to spare" if not one.why else f"; no interval: {one.why}"
    return FigureRow(
        name=f"{one.name}{unit}",
        baseline=_text(one.baseline, one.unit, shown, signed=signed),
        candidate=_text(one.candidate, one.unit, shown, signed=signed),
        change=_text(one.change, one.unit, shown, signed=True),
        basis=f"{one.candidate_pulls} pulls against {one.baseline_pulls}{spare}",
        label=one.name,
        unit="" if one.unit == "1" else one.unit,
        kind=_KINDS.get(one.unit),
        quantities=(
            _quantities(one.change, one.unit, signed=True),
            _quantities(one.baseline, one.unit),
            _quantities(one.candidate, one.unit),
        ),
    )


def _quantities(value: Value | None, unit: str, *, signed: bool = False) -> Bounded:
    kind = _KINDS.get(unit)
    if value is None or kind is None:
        return ()
    bounds = () if value.low is None or value.high is None else (value.low, value.high)
    signed = signed or any(end < 0 for end in bounds)
    return tuple(
        Quantity(value=end, kind=kind, digits=_DIGITS[unit], signed=signed, bare=True)
        for end in (value.value, *bounds)
    )


def _text(value: Value | None, unit: str, shown: Shown, *, signed: bool) -> str:
    if value is None:
        return ""
    digits = _DIGITS[unit] + shown.more_digits
    text = decimal(shown.of(value.value), digits, signed=signed)
    if value.low is None or value.high is None:
        return f"{text} (interval unknown)"
    signed = signed or value.low < 0
    ends = (decimal(shown.of(end), digits, signed=signed) for end in (value.low, value.high))
    return f"{text} ({' to '.join(ends)})"
