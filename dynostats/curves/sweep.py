"""Find the full-load rise in a log: the rows an answer may rest on.

A log may hold more than the pull: a blip of the throttle before it, a lift in the middle, the
overrun after it, a second pull. Rows are never sorted by engine speed, since that would mix them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats
from dynostats.errors import InputError

# A fall of engine speed by more than this ends a rise; smaller ones are noise of the speed signal.
REVERSAL_RPM = 60.0
REVERSAL_SHARE = 0.02
# A rise with fewer rows than this carries no curve.
LEAST_ROWS = 8
# A rise much shorter in time than the longest one is a blip, not a pull.
BLIP_SHARE = 0.4
# Two rises are two pulls when they cover mostly the same speeds; else one pull with a lift.
OVERLAP_SHARE = 0.7
# At full load the throttle stays above this share of its largest reading.
FULL_THROTTLE_SHARE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The rows of one full-load rise.

    Args:
        first_row: First row, from 0.
        last_row: Last row, inclusive.
        steps: True when speed was held step by step instead of swept.
    """

    first_row: int
    last_row: int
    steps: bool = False

    @property
    def rows(self) -> slice:
        """Return the rows as a slice."""
        return slice(self.first_row, self.last_row + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweeps:
    """What was found in a log.

    Args:
        pulls: The rises that are pulls, in file order; never empty.
        findings: Sentences about rises that were left out, rows counted from 1.
    """

    pulls: tuple[Sweep, ...]
    findings: tuple[str, ...]


def find_sweeps(samples: pl.DataFrame) -> Sweeps:
    """Find the pulls of a log.

    Args:
        samples: One row a sample in file order; needs engine_speed (rpm); uses time (s),
            torque (N.m) and throttle (%) where present.

    Returns:
        The pulls and what was left out.

    Raises:
        InputError: There is no rise of engine speed under load of at least 8 rows.
    """
    speed = column_of(samples, "engine_speed")
    clock = _clock(samples)
    loaded = _under_load(samples)
    rises = [
        part for low, high in _rises(speed) if (part := _trim(speed, loaded, low, high)) is not None
    ]
    long_enough = [part for part in rises if part[1] - part[0] + 1 >= LEAST_ROWS]
    if not long_enough:
        raise InputError(
            "engine speed never rises under load over at least "
            f"{LEAST_ROWS} samples, so there is no pull in it",
            mend="Log a full-load pull from low to high engine speed, faster or for longer.",
        )
    lasts = np.array([_lasting(clock, part) for part in long_enough])
    slow = [
        part
        for part, last in zip(long_enough, lasts, strict=True)
        if last >= BLIP_SHARE * lasts.max()
    ]
    widest = max(slow, key=lambda part: speed[part[1]] - speed[part[0]])
    pulls = [part for part in slow if _overlap(speed, part, widest) >= OVERLAP_SHARE]
    left_out = [
        part
        for part in rises
        if part not in pulls and speed[part[1]] - speed[part[0]] > _reversal(speed)
    ]
    return Sweeps(
        pulls=tuple(
            Sweep(first_row=first, last_row=last, steps=_in_steps(speed[first : last + 1]))
            for first, last in pulls
        ),
        findings=tuple(_left_out(speed, part) for part in left_out),
    )


def column_of(samples: pl.DataFrame, name: str) -> Floats:
    """Return a channel as floats, NaN where missing.

    Series by series: selecting from a frame costs more than the whole curve of an ordinary pull.
    """
    series = samples[name]
    if series.dtype != pl.Float64:
        series = series.cast(pl.Float64)
    return series.to_numpy()


def _clock(samples: pl.DataFrame) -> Floats:
    if "time" in samples.columns:
        return column_of(samples, "time")
    return np.arange(samples.height, dtype=float)


def _under_load(samples: pl.DataFrame) -> Flags:
    """Return True where the row may belong to a full-load rise."""
    loaded = np.isfinite(column_of(samples, "engine_speed"))
    if "torque" in samples.columns:
        loaded &= column_of(samples, "torque") > 0
    if "throttle" in samples.columns:
        throttle = column_of(samples, "throttle")
        known = np.isfinite(throttle)
        if known.any():
            loaded &= ~known | (throttle >= FULL_THROTTLE_SHARE * np.nanmax(throttle))
    return loaded


def _reversal(speed: Floats) -> float:
    return max(REVERSAL_RPM, REVERSAL_SHARE * float(np.nanmax(speed) - np.nanmin(speed)))


def _rises(speed: Floats) -> list[tuple[int, int]]:
    """Return (lowest row, highest row) of each rise between reversals of more than the noise."""
    known = np.flatnonzero(np.isfinite(speed))
    if known.size == 0:
        return []
    values = speed[known]
    limit = _reversal(speed)
    if (np.maximum.accumulate(values) - values).max() <= limit:  # one rise: the ordinary pull
        return [(int(known[0]), int(known[-1]))]
    return [
        (int(known[first]), int(known[last]))
        for first, last in (_with_holds(values, rise, limit) for rise in _zigzag(values, limit))
    ]


def _with_holds(values: Floats, rise: tuple[int, int], limit: float) -> tuple[int, int]:
    """Take in the rows held at either end: they belong to a test in steps; a sweep drops them."""
    first, last = rise
    while first > 0 and abs(values[first - 1] - values[rise[0]]) <= limit / 2:
        first -= 1
    while last < len(values) - 1 and abs(values[last + 1] - values[rise[1]]) <= limit / 2:
        last += 1
    return first, last


def _zigzag(values: Floats, limit: float) -> list[tuple[int, int]]:
    rises: list[tuple[int, int]] = []
    low = high = 0
    rising = True
    for row, value in enumerate(values):
        if rising:
            if value > values[high]:
                high = row
            elif values[high] - value > limit:
                if values[high] - values[low] > limit:
                    rises.append((low, high))
                rising, low = False, row
            elif value < values[low] and high == low:
                low = high = row
        elif value < values[low]:
            low = row
        elif value - values[low] > limit:
            rising, high = True, row
    if rising and values[high] - values[low] > limit:
        rises.append((low, high))
    return rises


def _trim(speed: Floats, loaded: Flags, low: int, high: int) -> tuple[int, int] | None:
    """Return the longest loaded part of a rise, without the hold at its start; None if empty."""
    on = loaded[low : high + 1] | ~np.isfinite(speed[low : high + 1])
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    if edges.size == 0:
        return None
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    first, last = low + int(starts[longest]), low + int(ends[longest]) - 1
    part = speed[first : last + 1]
    if not np.isfinite(part).any():
        return None
    if _in_steps(part):
        return first, last
    first += int(np.nanargmin(part))
    # An engine held at the start of the sweep gives many rows at one speed: the sweep begins when
    # it leaves it. Half the reversal limit is the noise that the hold may show.
    held = np.flatnonzero(speed[first : last + 1] <= speed[first] + _reversal(speed) / 2)
    first += int(held[-1]) if held.size > LEAST_ROWS else 0
    last = first + int(np.nanargmax(speed[first : last + 1]))
    return first, last


def _lasting(clock: Floats, part: tuple[int, int]) -> float:
    steps = np.diff(clock[part[0] : part[1] + 1])
    usual: float = np.nanmedian(np.diff(clock)).item()
    # Gaps and backward stamps of a clock must not make a blip long or a pull short.
    longest = 3.0 * usual if usual > 0 else np.inf
    lasting: float = np.nansum(np.clip(steps, 0.0, longest)).item()
    return lasting


def _overlap(speed: Floats, one: tuple[int, int], other: tuple[int, int]) -> float:
    low = max(speed[one[0]], speed[other[0]])
    high = min(speed[one[1]], speed[other[1]])
    widest = max(speed[other[1]] - speed[other[0]], speed[one[1]] - speed[one[0]])
    return float(high - low) / float(widest) if widest > 0 else 0.0


def _in_steps(speed: Floats) -> bool:
    """Tell a test held step by step from a sweep: over a 40th of the rows a sweep always moves."""
    reach = max(len(speed) // 40, 2)
    if len(speed) < 10 * reach:
        return False
    moves = speed[reach:] - speed[:-reach]
    mean_move = (speed[-1] - speed[0]) / (len(speed) - 1) * reach
    still: float = np.mean(moves < 0.1 * mean_move).item()
    return still > 0.35


def _left_out(speed: Floats, part: tuple[int, int]) -> str:
    return (
        f"rows {part[0] + 1} to {part[1] + 1} rise from {speed[part[0]]:.0f} to "
        f"{speed[part[1]]:.0f} rpm and are not part of a pull (engine speed is not monotonic: "
        "a blip, or a lift in the middle)"
    )
