"""Find the full-load rise in a log: the rows an answer may rest on.

A log may hold more than the pull: a blip of the throttle before it, a lift in the middle, the
overrun after it, a second pull. Rows are never sorted by engine speed, since that would mix them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Channels, Flags, Floats
from dynostats.curves.steps import find_levels
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
# Readings this few above all others are spikes of the throttle channel.
SPIKE_ROWS = 3
# A loss of load this short inside a rise does not end the pull.
DROPOUT_ROWS = 2
MOST_DROPOUTS = 2
NEARBY_ROWS = 15
# Readings of speed this few, off by more than a reversal between neighbours that agree, are
# misread: no engine speeds up and slows down again within so short a time.
MISREAD_ROWS = 2
MISREAD_S = 0.5
MOST_MISREAD = 5  # more of them are a noisy signal, whose rows are all as good as each other
# Rows on either side over which a dense log's speed is averaged before looking for reversals.
CALM_SHARE = 250


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The rows of one full-load rise.

    Args:
        first_row: First row, from 0.
        last_row: Last row, inclusive.
        steps: True when speed was held step by step instead of swept.
        dropouts: Rows inside that read no load for a moment: no reading of the engine's torque.
        misread: Rows inside whose engine speed no engine can have had.
    """

    first_row: int
    last_row: int
    steps: bool = False
    dropouts: tuple[int, ...] = ()
    misread: tuple[int, ...] = ()

    @property
    def rows(self) -> slice:
        """Return the rows as a slice."""
        return slice(self.first_row, self.last_row + 1)

    @property
    def used(self) -> Flags:
        """Return which of the rows carry the curve, shape (rows,)."""
        used = np.ones(self.last_row + 1 - self.first_row, dtype=np.bool_)
        used[[row - self.first_row for row in (*self.dropouts, *self.misread)]] = False
        return used


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweeps:
    """What was found in a log.

    Args:
        pulls: The rises that are pulls, in file order; never empty.
        findings: Sentences about rises that were left out, rows counted from 1.
        others: The other rises under load of at least 8 rows, in file order.
    """

    pulls: tuple[Sweep, ...]
    findings: tuple[str, ...]
    others: tuple[Sweep, ...] = ()


def find_sweeps(samples: pl.DataFrame | Channels) -> Sweeps:
    """Find the pulls of a log.

    Args:
        samples: One row a sample in file order; needs engine_speed (rpm); uses time (s),
            torque (N.m) and throttle (%) where present.

    Returns:
        The pulls and what was left out.

    Raises:
        InputError: There is no rise of engine speed under load of at least 8 rows.
    """
    log = Channels.of(samples)
    misread = np.flatnonzero(_is_misread(log["engine_speed"], _clock(log)))
    speed = log["engine_speed"].copy()
    speed[misread] = np.nan
    loaded, bridged = _bridge(_under_load(log))
    parts = [
        _trim(speed, part) for rise in _rises(speed) for part in _loaded_parts(speed, loaded, rise)
    ]
    long_enough = [part for part in parts if _rows(part) >= LEAST_ROWS]
    if not long_enough:
        raise InputError(
            "engine speed never rises under load over at least "
            f"{LEAST_ROWS} samples, so there is no pull in it",
            mend="Log a full-load pull from low to high engine speed, faster or for longer.",
        )
    pulls = _choose(speed, _clock(log), long_enough)
    return Sweeps(
        pulls=tuple(
            Sweep(
                first_row=first,
                last_row=last,
                steps=find_levels(speed[first : last + 1]).size > 0,
                dropouts=tuple(row for row in bridged if first <= row <= last),
                misread=tuple(row for row in misread.tolist() if first <= row <= last),
            )
            for first, last in pulls
        ),
        findings=(
            *(_left_out(speed, part) for part in parts if _matters(speed, part, pulls)),
            *(_off_load(row) for row in bridged if _inside(row, pulls)),
            *(
                _misread(row, log["engine_speed"][row])
                for row in misread.tolist()
                if _inside(row, pulls)
            ),
        ),
        others=tuple(
            Sweep(first_row=first, last_row=last)
            for first, last in long_enough
            if (first, last) not in pulls
        ),
    )


_Part = tuple[int, int]


def _rows(part: _Part) -> int:
    return part[1] - part[0] + 1


def _choose(speed: Floats, clock: Floats, parts: list[_Part]) -> list[_Part]:
    """Pick the pulls: long in time, and covering what the widest of them covers."""
    if len(parts) == 1 and speed[parts[0][1]] > speed[parts[0][0]]:
        return parts
    lasts = np.array([_lasting(clock, part) for part in parts])
    slow = [p for p, last in zip(parts, lasts, strict=True) if last >= BLIP_SHARE * lasts.max()]
    widest = max(slow, key=lambda part: speed[part[1]] - speed[part[0]])
    return [part for part in slow if _overlap(speed, part, widest) >= OVERLAP_SHARE]


def _matters(speed: Floats, part: _Part, pulls: list[_Part]) -> bool:
    return part not in pulls and speed[part[1]] - speed[part[0]] > _reversal(speed)


def _inside(row: int, pulls: list[_Part]) -> bool:
    return any(first <= row <= last for first, last in pulls)


def column_of(samples: pl.DataFrame | Channels, name: str) -> Floats:
    """Return a channel as floats, NaN where missing.

    Series by series: selecting from a frame costs more than the whole curve of an ordinary pull.
    """
    if isinstance(samples, Channels):
        return samples[name]
    series = samples[name]
    if series.dtype != pl.Float64:
        series = series.cast(pl.Float64)
    return series.to_numpy()


def _clock(log: Channels) -> Floats:
    clock = log.get("time")
    if clock is not None and np.isfinite(clock).sum() > 1:
        return clock
    return np.arange(log.height, dtype=float)


def _is_misread(speed: Floats, clock: Floats) -> Flags:
    """Return the rows that leap away and back between neighbours that agree, shape (rows,)."""
    found = np.zeros(len(speed), dtype=np.bool_)
    if len(speed) < LEAST_ROWS:
        return found
    limit = _reversal(speed)
    for count in range(1, MISREAD_ROWS + 1):
        left, right = speed[: -count - 1], speed[count + 1 :]
        brief = clock[count + 1 :] - clock[: -count - 1] <= MISREAD_S
        between = (np.abs(right - left) <= limit) & brief
        inner = np.stack([speed[1 + at : len(speed) - count + at] for at in range(count)])
        above = (inner > np.fmax(left, right) + limit).all(axis=0)
        below = (inner < np.fmin(left, right) - limit).all(axis=0)
        for at in np.flatnonzero(between & (above | below)).tolist():
            found[at + 1 : at + 1 + count] = True
    return found & (found.sum() <= MOST_MISREAD)


def _under_load(log: Channels) -> Flags:
    """Return True where the row may belong to a full-load rise; a missing reading forbids none."""
    loaded = np.isfinite(log["engine_speed"])
    torque, throttle = log.get("torque"), log.get("throttle")
    if torque is not None:
        loaded &= ~(torque <= 0)
    if throttle is not None:
        known = np.sort(throttle[np.isfinite(throttle)])
        if known.size:
            # Not the largest of all: one spike of the channel must not make the rest look lifted.
            full = known[-min(SPIKE_ROWS + 1, known.size)]
            loaded &= ~(throttle < FULL_THROTTLE_SHARE * full)
    return loaded


def _bridge(loaded: Flags) -> tuple[Flags, list[int]]:
    """Take a dropout of a few rows as loaded, and say which rows; a row of them is a limiter."""
    if loaded.all():
        return loaded, []
    edges = np.flatnonzero(np.diff(np.concatenate(([1], loaded.astype(np.int8), [1]))))
    gaps = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    rows = [
        row
        for first, last in gaps
        if first > 0
        and last < len(loaded)
        and last - first <= DROPOUT_ROWS
        and sum(abs(other - first) <= NEARBY_ROWS for other, _ in gaps) <= MOST_DROPOUTS
        for row in range(first, last)
    ]
    whole = loaded.copy()
    whole[rows] = True
    return whole, rows


def _reversal(speed: Floats) -> float:
    low, high = _ends(speed)
    return max(REVERSAL_RPM, REVERSAL_SHARE * (high - low))


def _ends(speed: Floats) -> tuple[float, float]:
    """Return lowest and highest speed; a fifth of the time that nanmin and nanmax take."""
    return float(np.fmin.reduce(speed)), float(np.fmax.reduce(speed))


def _rises(speed: Floats) -> list[_Part]:
    """Return (lowest row, highest row) of each rise between reversals of more than the noise."""
    known = np.flatnonzero(np.isfinite(speed))
    if known.size == 0:
        return []
    values = _calmed(speed[known])
    limit = _reversal(speed)
    if (np.maximum.accumulate(values) - values).max() <= limit:  # one rise: the ordinary pull
        return [(int(known[0]), int(known[-1]))]
    return [
        (int(known[first]), int(known[last]))
        for first, last in (_with_holds(values, rise, limit) for rise in _zigzag(values, limit))
    ]


def _calmed(values: Floats) -> Floats:
    """Average a dense log over a hundredth of its rows: its speed signal is noisy row by row."""
    width = len(values) // CALM_SHARE
    if width < 2:
        return values
    edges = np.concatenate([np.full(width, values[0]), values, np.full(width, values[-1])])
    total = np.concatenate([[0.0], np.cumsum(edges)])
    span = 2 * width + 1
    return (total[span:] - total[:-span]) / span


def _with_holds(values: Floats, rise: _Part, limit: float) -> _Part:
    """Take in the rows held at either end: they belong to a test in steps; a sweep drops them."""
    first, last = rise
    while first > 0 and abs(values[first - 1] - values[rise[0]]) <= limit / 2:
        first -= 1
    while last < len(values) - 1 and abs(values[last + 1] - values[rise[1]]) <= limit / 2:
        last += 1
    return first, last


def _zigzag(values: Floats, limit: float) -> list[_Part]:
    rises: list[_Part] = []
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


def _loaded_parts(speed: Floats, loaded: Flags, rise: _Part) -> list[_Part]:
    """Return the stretches of a rise under load that rise themselves."""
    low, high = rise
    on = loaded[low : high + 1] | ~np.isfinite(speed[low : high + 1])
    if on.all():
        return [rise] if np.isfinite(speed[low : high + 1]).sum() > 1 else []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    parts = [
        (low + int(first), low + int(last) - 1)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]
    return [part for part in parts if np.isfinite(speed[part[0] : part[1] + 1]).sum() > 1]


def _trim(speed: Floats, part: _Part) -> _Part:
    """Cut what is held before and after a sweep; a test in steps is left whole.

    An engine held at the start gives many rows at one speed, a limiter at the end likewise: the
    sweep begins when it leaves the one and ends when it reaches the other.
    """
    first, last = part
    own = speed[first : last + 1]
    if find_levels(own).size > 0:
        return part
    near = _reversal(speed)
    lowest = _ends(own)[0]
    held = np.flatnonzero(own <= lowest + near / 2)
    waits = held.size > _rows_passing(own, near / 2)
    first += int(held[-1] if waits else np.argmax(own == lowest))
    own = speed[first : last + 1]
    highest = _ends(own)[1]
    top = np.flatnonzero(own >= highest - near)
    if top.size > _rows_passing(own, near):
        return first, first + int(top[0])
    return first, first + int(np.argmax(own == highest))


def _rows_passing(speed: Floats, width: float) -> float:
    """Return more rows than a sweep spends in a width of speed, with twice its usual pace."""
    low, high = _ends(speed)
    pace = (high - low) / max(len(speed) - 1, 1)
    return LEAST_ROWS + (2.0 * width / pace if pace > 0 else np.inf)


def _lasting(clock: Floats, part: _Part) -> float:
    steps = np.diff(clock[part[0] : part[1] + 1])
    usual: float = np.nanmedian(np.diff(clock)).item()
    # Gaps and backward stamps of a clock must not make a blip long or a pull short.
    longest = 3.0 * usual if usual > 0 else np.inf
    lasting: float = np.nansum(np.clip(steps, 0.0, longest)).item()
    return lasting


def _overlap(speed: Floats, one: _Part, other: _Part) -> float:
    low = max(speed[one[0]], speed[other[0]])
    high = min(speed[one[1]], speed[other[1]])
    widest = max(speed[other[1]] - speed[other[0]], speed[one[1]] - speed[one[0]])
    return float(high - low) / float(widest) if widest > 0 else 0.0


def _left_out(speed: Floats, part: _Part) -> str:
    return (
        f"rows {part[0] + 1} to {part[1] + 1} rise from {speed[part[0]]:.0f} to "
        f"{speed[part[1]]:.0f} rpm and are not part of a pull (engine speed is not monotonic: "
        "a blip, or a lift in the middle)"
    )


def _off_load(row: int) -> str:
    return (
        f"row {row + 1} reads no load in the middle of the pull (torque at or below zero, or the "
        "throttle lifted): a dropout of the sensor or a miss"
    )


def _misread(row: int, speed: float) -> str:
    return (
        f"row {row + 1} reads {speed:.0f} rpm, which its neighbours rule out: a misread signal; "
        "the row is left out of the curve"
    )
