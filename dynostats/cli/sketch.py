"""A curve drawn in characters: small enough for a terminal, true enough to read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Bound = float | None
# Finer than this is rounding, no curve, percent.
LEAST_STEP = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Ink:
    """The characters of a sketch."""

    band: str
    estimate: str
    zero: str
    wall: str
    corner: str
    floor: str


UNICODE = Ink(band="░", estimate="●", zero="─", wall="│", corner="└", floor="─")
ASCII = Ink(band=":", estimate="o", zero="-", wall="|", corner="+", floor="-")


def sketch_effect(
    rpm: Sequence[float],
    effect: Sequence[float],
    low: Sequence[Bound],
    high: Sequence[Bound],
    *,
    ink: Ink = UNICODE,
    columns: int = 60,
    rows: int = 9,
    signed: bool = True,
) -> list[str]:
    """Return the lines of an effect curve with its band, percent over engine speed.

    Args:
        rpm: Grid speeds in rising order.
        effect: Effect at each speed, percent.
        low: Lower bound at each speed, percent; None where unknown.
        high: Upper bound, likewise.
        ink: Characters to draw with.
        columns: Width of the plotting area.
        rows: Height of the plotting area, about.
        signed: Whether what lies above zero has a plus sign: an effect has one, a size has none.
    """
    picks = [_nearest(rpm, _at(column, columns, rpm)) for column in range(columns)]
    step, levels = _levels([*effect, *(b for b in (*low, *high) if b is not None)], rows)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    lines: list[str] = []
    for level in levels:
        cells = (
            _cell(level, step, effect=effect[i], low=low[i], high=high[i], ink=ink) for i in picks
        )
        sign = "+" if signed else ""
        label = f"{level:{sign}.{decimals}f}" if level else "0"
        lines.append(f"{label:>8} {ink.wall}{''.join(cells)}".rstrip())
    lines.append(f"         {ink.corner}{ink.floor * columns}")
    lines.append(f"          {rpm[0]:<{columns // 2}.0f}{f'{rpm[-1]:.0f} rpm':>{columns // 2}}")
    return lines


def _at(column: int, columns: int, rpm: Sequence[float]) -> float:
    return rpm[0] + (rpm[-1] - rpm[0]) * column / (columns - 1)


def _nearest(rpm: Sequence[float], speed: float) -> int:
    return min(range(len(rpm)), key=lambda i: abs(rpm[i] - speed))


def _levels(values: Sequence[float], rows: int) -> tuple[float, list[float]]:
    """Return the step and the row levels from top to bottom: round, zero always among them."""
    top, bottom = max(*values, 0.0), min(*values, 0.0)
    span = top - bottom
    step = _round_up(max(span / rows, LEAST_STEP) if span else 1.0)
    first, last = math.ceil(top / step), math.floor(bottom / step)
    return step, [step * level for level in range(first, last - 1, -1)]


def _round_up(step: float) -> float:
    """Return the next 1, 2 or 5 times a power of ten."""
    decade = 10.0 ** math.floor(math.log10(step))
    return decade * next(n for n in (1, 2, 5, 10) if n * decade >= step)


def _cell(level: float, step: float, *, effect: float, low: Bound, high: Bound, ink: Ink) -> str:
    half = step / 2
    if level - half <= effect < level + half:
        return ink.estimate
    if low is not None and high is not None and low < level + half and high >= level - half:
        return ink.band
    return ink.zero if abs(level) < half else " "
