"""What is odd about a log's samples: its clock, flat lines, power against torque times speed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dynostats.arrays import Flags, Floats
from dynostats.ingest.draft import Column, Draft
from dynostats.ingest.figures import find_median, power_ratio

_GAP_STEPS = 1.75
_MOST_SHOWN = 5
_LEAST_FLAT_ROWS = 10
# A flat run is told when chance would give one as long less often than this, per log.
_FLAT_CHANCE = 1e-3
_LEAST_MISMATCH = 0.003
_STEADY_SHARE = 0.004
_LIKELY_RATIO = 0.002
# What usually stands behind a power that is this multiple of torque times speed. From the units'
# definitions: 1 hp = 0.74570 kW, 1 PS = 0.73550 kW, 1 lbf.ft = 1.35582 N.m, 1 kgf.m = 9.80665 N.m.
_CAUSES = (
    (1.01387, "the power is in PS but labelled hp (1 hp = 1.0139 PS)"),
    (0.98632, "the power is in hp but labelled PS (1 PS = 0.9863 hp)"),
    (1.34102, "the power is in hp but labelled kW"),
    (1.35962, "the power is in PS but labelled kW"),
    (0.74570, "the power is in kW but labelled hp, or the torque in lbf.ft but labelled N.m"),
    (0.73550, "the power is in kW but labelled PS"),
    (0.73756, "the torque is in N.m but labelled lbf.ft"),
    (1.35582, "the torque is in lbf.ft but labelled N.m"),
    (9.80665, "the torque is in kgf.m but labelled N.m"),
    (0.10197, "the torque is in N.m but labelled kgf.m"),
    (1000.0, "the power is in W but labelled kW"),
    (0.001, "the power is in kW but labelled W"),
)
_CORRECTED = (0.85, 1.20)


def check_samples(draft: Draft) -> None:
    """Add findings on the clock, flat lines, and power against torque times speed.

    Args:
        draft: Columns in stored units; findings are added, values are never changed.
    """
    _check_clock(draft)
    _check_flat(draft)
    _check_power(draft)


def show_rows(rows: Sequence[int]) -> str:
    """Return "row 7" or "rows 7, 9 and 4 more", counted from 1."""
    shown = ", ".join(str(row) for row in rows[:_MOST_SHOWN])
    more = f" and {len(rows) - _MOST_SHOWN} more" if len(rows) > _MOST_SHOWN else ""
    return f"row{'s' if len(rows) > 1 else ''} {shown}{more}"


# --- clock ----------------------------------------------------------------------------------------


def _check_clock(draft: Draft) -> None:
    clock = draft.get("time")
    if clock is None:
        draft.tell(
            "no_clock",
            "note",
            "The file has no time column: rows are taken in file order, and rates of change "
            "are not known.",
        )
        return
    stamps = clock.values
    if stamps.size < 2:
        return
    steps = np.diff(stamps)
    if np.isnan(steps).any():
        rows = (np.flatnonzero(np.isnan(stamps)) + 1).tolist()
        draft.tell("clock_missing", "note", f"No time in {show_rows(rows)}.")
    if steps.min() > 0.0 and steps.max() <= _GAP_STEPS * steps.min():
        return
    if not (steps > 0).any():
        draft.tell("clock_stopped", "doubtful", "The clock stands still or runs backward.")
        return
    typical = find_median(steps[steps > 0])
    _tell_backward(draft, stamps)
    _tell_repeated(draft, steps)
    _tell_gaps(draft, stamps, typical)


def _tell_backward(draft: Draft, stamps: Floats) -> None:
    rows = (np.flatnonzero(np.diff(stamps) < 0) + 2).tolist()
    if rows:
        draft.tell(
            "clock_backward",
            "doubtful",
            f"The clock runs backward at {show_rows(rows)} (row {rows[0]}: "
            f"{stamps[rows[0] - 1]:g} s after {stamps[rows[0] - 2]:g} s).",
            rows=((row - 2, row - 1) for row in rows),
        )


def _tell_repeated(draft: Draft, steps: Floats) -> None:
    places = np.flatnonzero(steps == 0)
    if not places.size:
        return
    if places.size > steps.size / 2:
        draft.tell(
            "clock_coarse",
            "note",
            f"The clock is coarser than the sampling: {places.size} of {steps.size + 1} rows "
            "repeat the time of the row before.",
        )
        return
    rows = sorted({int(place) + offset for place in places for offset in (1, 2)})
    draft.tell(
        "clock_repeated",
        "doubtful",
        f"The same time stands in {show_rows(rows)}.",
        rows=((int(place), int(place) + 1) for place in places),
    )


def _tell_gaps(draft: Draft, stamps: Floats, typical: float) -> None:
    """Tell of steps much longer than the typical one, seen from the latest time so far."""
    if np.isnan(stamps).any():
        return
    latest = np.maximum.accumulate(stamps)
    ahead = np.flatnonzero(np.diff(latest) > 0) + 1
    if not ahead.size:
        return
    before = np.concatenate(([0], ahead[:-1]))
    steps = (stamps[ahead] - stamps[before]) / np.maximum(ahead - before, 1)
    regular = np.mean(np.abs(steps - typical) <= 0.1 * typical)
    limit = _GAP_STEPS if regular > 0.8 else 3 * _GAP_STEPS
    found = np.flatnonzero(steps > limit * typical)
    if found.size:
        shown = ", ".join(
            f"{stamps[ahead[place]] - stamps[before[place]]:g} s before row {ahead[place] + 1}"
            for place in found[:_MOST_SHOWN]
        )
        more = f" and {found.size - _MOST_SHOWN} more" if found.size > _MOST_SHOWN else ""
        draft.tell(
            "clock_gap",
            "doubtful",
            f"{found.size} gap(s) in the clock, whose usual step is {typical:g} s: {shown}{more}. "
            "Nothing was filled in.",
            rows=((int(before[place]), int(ahead[place])) for place in found),
        )


# --- flat lines -----------------------------------------------------------------------------------


def _check_flat(draft: Draft) -> None:
    columns = [
        column
        for column in draft.known()
        if column.spec is not None and not column.spec.holds and column.channel != "time"
    ]
    if not columns or columns[0].values.size <= _LEAST_FLAT_ROWS:
        return
    for column in columns:
        same = column.values[1:] == column.values[:-1]
        # A run of 10 equal rows has 9 equal steps and 8 pairs of them; few columns have as many.
        if np.count_nonzero(same[1:] & same[:-1]) >= _LEAST_FLAT_ROWS - 2:
            _tell_flat(draft, column, same)


def _tell_flat(draft: Draft, column: Column, same: Flags) -> None:
    told = [(first, last) for first, last in _long_runs(same) if _is_stuck(same, last - first)]
    if told:
        unit = "" if column.unit == "1" else f" {column.unit}"
        where = ", ".join(
            f"rows {first + 1} to {last + 1} at {column.values[first]:g}{unit}"
            for first, last in told[:_MOST_SHOWN]
        )
        draft.tell(
            "flat_line",
            "doubtful",
            f"{column.channel} (column {column.number} '{column.source}') does not move: {where}. "
            "The sensor may be stuck or at its limit.",
            rows=told,
        )


def _is_stuck(same: Flags, steps: int) -> bool:
    """Return whether chance hardly gives a run of so many equal steps, seeing the other steps.

    A coarse reading, or one held over several rows, often repeats; a stuck one breaks its habit.
    """
    others = same.size - steps
    repeats = (float(same.sum()) - steps + 1.0) / (others + 2.0)
    return others == 0 or repeats**steps * same.size < _FLAT_CHANCE


def _long_runs(same: Flags) -> list[tuple[int, int]]:
    """Return first and last row, from 0, of runs of equal values of at least 10 rows."""
    edges = np.diff(np.concatenate(([0], same.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [
        (int(start), int(end))
        for start, end in zip(starts, ends, strict=True)
        if end - start + 1 >= _LEAST_FLAT_ROWS
    ]


# --- power against torque times speed -------------------------------------------------------------


def _check_power(draft: Draft) -> None:
    speed, torque, power = (draft.get(name) for name in ("engine_speed", "torque", "power"))
    if speed is None or torque is None or power is None or not (torque.number and power.number):
        return
    ratio = power_ratio(torque.values, power.values, speed.values)
    if ratio is None or abs(ratio - 1.0) < _LEAST_MISMATCH:
        return
    draft.tell(
        "power_torque_mismatch",
        "doubtful",
        f"Power (column {power.number} '{power.source}') is {ratio:.4f} times torque times speed "
        f"({100 * (ratio - 1):+.2f} %); it should be 1. {_likely_cause(ratio)} Nothing was "
        "rescaled.",
    )


def _likely_cause(ratio: float) -> str:
    for expected, cause in _CAUSES:
        if abs(ratio / expected - 1.0) < _LIKELY_RATIO:
            return f"Perhaps {cause}."
    if _CORRECTED[0] < ratio < _CORRECTED[1]:
        return "Perhaps one of the two is corrected for weather or losses and the other is not."
    return "Perhaps a unit is wrong, or the columns belong to different shafts."
