"""Gauge or absolute: never confused, and never decided where both readings are possible."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Flags, Floats
from dynostats.ingest.channels import Reference
from dynostats.ingest.draft import Column, Draft
from dynostats.ingest.figures import value_range

_STORED_ABSOLUTE = ("manifold_pressure", "compressor_out_pressure")
# Barometers of places where engines are tested, kPa; the frame when none was read.
_ANY_AMBIENT_KPA = (60.0, 108.0)
# What the limits below rest on: common practice, no published source.
_LEAST_LOADED_SHARE = 0.35  # no engine pulls at full load with a manifold this far below ambient
_LEAST_BOOST = 1.1  # less than this many times ambient is no boost
_LEAST_CHARGED = 0.75  # nor is a charged engine under load this far below ambient
_LEAST_HALF_LOAD = 0.3  # half the torque needs more than this share of full load's pressure
_MOST_ABSOLUTE_KPA = 600.0  # no charged engine of a shop runs above this
_OPEN_INTAKE = 0.9  # an open intake loses less than this
_STANDSTILL_RPM = 50.0
_STANDSTILL_SHARE = 0.05
_CLOSED_THROTTLE_PCT = 10.0
_OPEN_THROTTLE_PCT = 90.0
_FEW_ROWS = 3
_NOISE_KPA = 1.0
# A single spike decides nothing: the lowest and highest twentieth of the rows are left out.
_SPIKES = 0.05


def settle_pressures(draft: Draft) -> None:
    """Make charge pressures absolute, or set a column aside whose reference cannot be told.

    Args:
        draft: Columns in stored units and the air of the cell; changed in place.
    """
    for column in draft.known():
        if column.channel in _STORED_ABSOLUTE:
            _settle(draft, column)
        elif column.channel == "ambient_pressure" and column.reference == "gauge":
            _set_aside(draft, column, "gauge", "a barometer cannot read gauge pressure")
        elif column.reference:
            column.how.append(f"{column.reference} as stated, not converted")


def _settle(draft: Draft, column: Column) -> None:
    frame = _frame(draft, column)
    reference, why = _stated(column)
    if not reference:
        reference, why = _decide(draft, column, frame)
        if reference:
            draft.tell(
                "pressure_reference",
                "note",
                f"Column {column.number} '{column.source}' does not say gauge or absolute; it was "
                f"read as {reference}, because {why}.",
            )
    if not reference:
        shown = f"{frame.low:g} to {frame.high:g} kPa"
        _set_aside(
            draft,
            column,
            "unreferenced",
            f"it does not say gauge or absolute, and {shown} may be either",
        )
    elif _is_impossible(column, frame, reference):
        _set_aside(
            draft,
            column,
            "unreferenced",
            f"it is {reference} ({why}), but runs from {frame.low:g} to {frame.high:g} kPa",
        )
    elif reference == "absolute":
        column.how.append(f"absolute ({why})")
        _doubt_low(draft, column)
    else:
        _make_absolute(draft, column, why)


def _stated(column: Column) -> tuple[Reference, str]:
    """Return what words say about a pressure, and whose."""
    if column.rule is not None and column.rule.reference:
        return column.rule.reference, "stated in the channel file"
    if column.reference:
        return column.reference, "stated in the file"
    if column.match is not None and column.match.reference:
        return column.match.reference, "by its name"
    return "", ""


def _doubt_low(draft: Draft, column: Column) -> None:
    """Tell of an absolute pressure that stays well below ambient all through the pull."""
    if column.channel != "manifold_pressure" or draft.air.pressure_kpa is None:
        return
    high = value_range(column.values)[1]
    if high < _OPEN_INTAKE * draft.air.pressure_kpa:
        draft.tell(
            "manifold_low",
            "doubtful",
            f"Column {column.number} '{column.source}' is absolute, yet never exceeds {high:g} kPa "
            f"at {draft.air.pressure_kpa:g} kPa ambient. Was the throttle open, or is it gauge?",
        )


def _set_aside(draft: Draft, column: Column, suffix: str, why: str) -> None:
    channel = draft.free_name(f"{column.channel}_{suffix}", column.number)
    draft.tell(
        "pressure_reference",
        "doubtful",
        f"Column {column.number} '{column.source}' was kept as {channel}, not as "
        f"{column.channel}: {why}. Write abs or gauge into the header, or reference = "
        '"absolute" or "gauge" into a --channels file.',
    )
    column.demote(channel, why)


def _make_absolute(draft: Draft, column: Column, why: str) -> None:
    barometer = draft.get("ambient_pressure")
    if barometer is not None and np.isfinite(barometer.values).all():
        column.values = column.values + barometer.values
        column.how.append(f"gauge ({why}) plus column {barometer.number} '{barometer.source}'")
    elif draft.air.pressure_kpa is not None:
        column.values = column.values + draft.air.pressure_kpa
        column.how.append(f"gauge ({why}) plus ambient {draft.air.pressure_kpa:g} kPa")
    else:
        channel = draft.free_name(f"{column.channel}_gauge", column.number)
        draft.tell(
            "pressure_reference",
            "doubtful",
            f"Column {column.number} '{column.source}' is gauge pressure and the barometer is not "
            f"known, so it was kept as {channel}. Put ambient_pressure into the sheet or the file.",
        )
        column.demote(channel, f"gauge ({why}), ambient pressure not known")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """What a pressure column runs through, without spikes, and what ambient may be; kPa.

    Args:
        low: Lowest value.
        high: Highest value.
        loaded_low: Lowest value under load.
        loaded_high: Highest value under load.
        least: Lowest possible ambient pressure; the barometer where it is known.
        most: Highest possible ambient pressure; the barometer where it is known.
    """

    low: float
    high: float
    loaded_low: float
    loaded_high: float
    least: float
    most: float


def _frame(draft: Draft, column: Column) -> _Frame:
    known = draft.air.pressure_kpa
    least, most = _ANY_AMBIENT_KPA if known is None else (known, known)
    low, high = _spread(column.values)
    loaded_low, loaded_high = _spread(column.values[draft.loaded_rows()])
    return _Frame(
        low=low,
        high=high,
        loaded_low=loaded_low,
        loaded_high=loaded_high,
        least=least,
        most=most,
    )


def _spread(values: Floats) -> tuple[float, float]:
    ordered = np.sort(values[np.isfinite(values)])
    if not ordered.size:
        return float("nan"), float("nan")
    spikes = int(_SPIKES * ordered.size)
    return float(ordered[spikes]), float(ordered[-1 - spikes])


def _is_impossible(column: Column, frame: _Frame, reference: Reference) -> bool:
    """Return whether the values contradict what was said about them.

    What the name alone says (MAP) is doubted sooner than what the file states in words.
    """
    if reference == "gauge":
        return frame.low < -frame.most - _NOISE_KPA
    in_words = column.reference or (column.rule and column.rule.reference)
    too_wide = frame.loaded_low < _LEAST_HALF_LOAD * frame.loaded_high
    return frame.low < -_NOISE_KPA or (not in_words and too_wide)


def _decide(draft: Draft, column: Column, frame: _Frame) -> tuple[Reference, str]:
    """Return the only possible reference and the reason; "" when both are possible."""
    charged = column.match is not None and column.match.charged
    still = column.values[_rows_below(draft, "engine_speed", _STANDSTILL_RPM)]
    still = still[np.isfinite(still)] if still.size >= _FEW_ROWS else np.array([np.inf])
    near = _STANDSTILL_SHARE * frame.least
    loaded = f"{frame.loaded_low:g} kPa absolute under load"
    rules: tuple[tuple[bool, Reference, str], ...] = (
        (
            frame.low < -_NOISE_KPA,
            "gauge",
            f"it falls to {frame.low:g} kPa, which no absolute pressure does",
        ),
        (bool(np.all(np.abs(still) < near)), "gauge", "it reads zero at standstill"),
        (
            bool(np.all((still > frame.least - near) & (still < frame.most + near))),
            "absolute",
            "it reads ambient pressure at standstill",
        ),
        (
            frame.loaded_low < _LEAST_LOADED_SHARE * frame.least,
            "gauge",
            f"{loaded} is far too little",
        ),
        (
            charged
            and (
                frame.high < _LEAST_BOOST * frame.least
                or frame.loaded_low < _LEAST_CHARGED * frame.least
            ),
            "gauge",
            f"{loaded} would be no boost",
        ),
        (
            frame.high + frame.least > _MOST_ABSOLUTE_KPA,
            "absolute",
            f"{frame.high:g} kPa above ambient is more than engines are charged with",
        ),
    )
    for holds, reference, why in rules:
        if holds:
            return reference, why
    return _decide_by_throttle(draft, column.values, frame)


def _rows_below(draft: Draft, channel: str, limit: float) -> Flags:
    column = draft.get(channel)
    if column is None:
        return np.zeros(draft.columns[0].values.size, dtype=np.bool_)
    return np.less(column.values, limit)


def _decide_by_throttle(draft: Draft, values: Floats, frame: _Frame) -> tuple[Reference, str]:
    """Return what a logged throttle tells: shut it makes vacuum, open and slow it makes none."""
    throttle, speed = draft.get("throttle"), draft.get("engine_speed")
    if throttle is None or speed is None:
        return "", ""
    shut = values[_rows_below(draft, "throttle", _CLOSED_THROTTLE_PCT)]
    vacuum = (shut > 0.1 * frame.least) & (shut < 0.75 * frame.least)
    if shut.size >= _FEW_ROWS and vacuum.all() and frame.loaded_low > 0.8 * frame.most:
        return "absolute", "it falls below ambient when the throttle is shut"
    open_wide = draft.loaded_rows() & np.greater(throttle.values, _OPEN_THROTTLE_PCT)
    if not open_wide.any():
        return "", ""
    slow = open_wide & np.less_equal(speed.values, np.nanquantile(speed.values[open_wide], 0.25))
    high = value_range(values[slow])[1]
    if high < 0.7 * frame.least:
        return "gauge", (
            f"{high:g} kPa absolute at low speed with the throttle open would be a closed intake"
        )
    return "", ""
