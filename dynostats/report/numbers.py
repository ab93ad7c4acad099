"""Numbers as text: signs, decimals that fit the uncertainty, and values that can change unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from dynostats.charts.theme import MINUS
from dynostats.units import convert

Kind = Literal["kw", "nm", "kpa", "k"]

UNITS: Final[dict[Kind, str]] = {"kw": "kW", "nm": "N·m", "kpa": "kPa", "k": "K"}

# What a page offers instead: name, stored unit and other unit as units.py writes them, and the
# decimals more that the other one needs to say as much.
_OTHER_UNITS: Final[dict[Kind, tuple[tuple[str, str, str, int], ...]]] = {
    "kw": (("hp", "kW", "hp", 0),),
    "nm": (("lb·ft", "N.m", "lbf.ft", 0),),
    "kpa": (("psi", "kPa", "psi", 1), ("inHg", "kPa", "inHg", 0)),
    "k": (("°F", "degC", "degF", 0),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit that a page can show a kind of quantity in.

    Args:
        name: As printed.
        factor: From the stored unit.
        more_digits: Decimals more than the stored unit has.
    """

    name: str
    factor: float
    more_digits: int


def unit_choices() -> dict[Kind, tuple[Unit, ...]]:
    """Return the units of each kind, the stored one first, for the page's unit switch."""
    return {
        kind: (
            Unit(name=UNITS[kind], factor=1.0, more_digits=0),
            *(
                Unit(name=name, factor=_factor(stored, other), more_digits=more)
                for name, stored, other, more in others
            ),
        )
        for kind, others in _OTHER_UNITS.items()
    }


def _factor(stored: str, other: str) -> float:
    """Return the factor of a difference: what two scales of temperature start from falls out."""
    return convert(1.0, stored, other) - convert(0.0, stored, other)


_MOST_DECIMALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A value with a unit that the page can show in the other unit too.

    Args:
        value: In the stored unit.
        kind: "kw", "nm", "kpa" or "k": power, torque, pressure, difference of temperature.
        digits: Decimals shown.
        signed: Whether a plus sign is shown.
        bare: Whether the unit stands elsewhere, as in a table's head.
    """

    value: float
    kind: Kind
    digits: int = 1
    signed: bool = False
    bare: bool = False

    @property
    def text(self) -> str:
        """The value in the stored unit."""
        number = decimal(self.value, self.digits, signed=self.signed)
        return number if self.bare else f"{number} {UNITS[self.kind]}"


def decimal(value: float, digits: int, *, signed: bool = False) -> str:
    """Return a number with thousands separated, a true minus sign and never a negative zero."""
    rounded = round(value, digits)
    if rounded == 0:
        return f"{0:.{digits}f}"
    sign = MINUS if rounded < 0 else "+" if signed else ""
    return f"{sign}{abs(rounded):,.{digits}f}"


def percent(value: float, digits: int, *, signed: bool = False) -> str:
    """Return a percentage, e.g. "2.4%"."""
    return f"{decimal(value, digits, signed=signed)}%"


def speed(rpm: float) -> str:
    """Return an engine speed without its unit, e.g. "2,600"."""
    return f"{rpm:,.0f}"


def speeds(low: float, high: float) -> str:
    """Return a range of engine speed, e.g. "2,600 to 6,800 rpm"."""
    return f"{speed(low)} rpm" if low == high else f"{speed(low)} to {speed(high)} rpm"


def digits_for(*values: float | None) -> int:
    """Return the fewest decimals, at least one, at which no value that is not zero reads as zero.

    A lower bound of 0.04% must not be printed as 0.0%: that would hide on which side it lies.
    """
    known = [value for value in values if value]
    for digits in range(1, _MOST_DECIMALS):
        if all(round(value, digits) != 0 for value in known):
            return digits
    return _MOST_DECIMALS


def interval(low: float, high: float, digits: int, *, unit: str = "%") -> str:
    """Return an interval as text; signs are shown as soon as one end is negative."""
    signed = low < 0
    left = decimal(low, digits, signed=signed)
    return f"{left} to {decimal(high, digits, signed=signed)}{unit}"
