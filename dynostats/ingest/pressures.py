"""Gauge or absolute: never confused, and never decided where both readings are possible."""

from __future__ import annotations

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
_MOST_ABSOLUTE_KPA = 600.0  # no charged engine of a shop runs above this
_STANDSTILL_RPM = 50.0
_STANDSTILL_SHARE = 0.05
_CLOSED_THROTTLE_PCT = 10.0
_OPEN_THROTTLE_PCT = 90.0
_FEW_ROWS = 3
_NOISE_KPA = 1.0


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
    reference, why = column.reference, "by its name or unit"
    if column.rule is not None and column.rule.reference:
        why = "stated in the channel file"
    if not reference:
        reference, why = _decide(draft, column.values)
        if reference:
            draft.tell(
                "pressure_reference",
                "note",
                f"Column {column.number} '{column.source}' does not say gauge or absolute; it was "
                f"read as {reference}, because {why}.",
            )
    if not reference:
        low, high = value_range(column.values)
        _set_aside(
            draft,
            column,
            "unreferenced",
            f"it does not say gauge or absolute, and {low:g} to {high:g} kPa may be either",
        )
    elif _is_impossible(draft, column.values, reference):
        low, _ = value_range(column.values)
        _set_aside(
            draft, column, "unreferenced", f"it is {reference} ({why}), but falls to {low:g} kPa"
        )
    elif reference == "absolute":
        column.how.append(f"absolute ({why})")
    else:
        _make_absolute(draft, column, why)


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


def _is_impossible(draft: Draft, values: Floats, reference: Reference) -> bool:
    """Return whether the values contradict what was stated about them."""
    low, _ = value_range(values)
    if reference == "absolute":
        return low < -_NOISE_KPA
    return low < -_ambient_range(draft)[1] - _NOISE_KPA


def _ambient_range(draft: Draft) -> tuple[float, float]:
    known = draft.air.pressure_kpa
    return _ANY_AMBIENT_KPA if known is None else (known, known)


def _decide(draft: Draft, values: Floats) -> tuple[Reference, str]:
    """Return the only possible reference and the reason; "" when both are possible."""
    least, most = _ambient_range(draft)
    low, high = value_range(values)
    loaded = values[draft.loaded_rows()]
    loaded_low = value_range(loaded)[0]
    if low < -_NOISE_KPA:
        return "gauge", f"it falls to {low:g} kPa, which no absolute pressure does"
    still = values[_rows_below(draft, "engine_speed", _STANDSTILL_RPM)]
    if still.size >= _FEW_ROWS:
        if np.all(np.abs(still) < _STANDSTILL_SHARE * least):
            return "gauge", "it reads zero at standstill"
        if np.all(
            (still > (1 - _STANDSTILL_SHARE) * least) & (still < (1 + _STANDSTILL_SHARE) * most)
        ):
            return "absolute", "it reads ambient pressure at standstill"
    if loaded_low < _LEAST_LOADED_SHARE * least:
        return "gauge", f"{loaded_low:g} kPa absolute is far too little at full load"
    if high + least > _MOST_ABSOLUTE_KPA:
        return "absolute", f"{high:g} kPa above ambient is more than engines are charged with"
    return _decide_by_throttle(draft, values)


def _rows_below(draft: Draft, channel: str, limit: float) -> Flags:
    column = draft.get(channel)
    if column is None:
        return np.zeros(draft.columns[0].values.size, dtype=np.bool_)
    return np.less(column.values, limit)


def _decide_by_throttle(draft: Draft, values: Floats) -> tuple[Reference, str]:
    """Return what a logged throttle tells: shut it makes vacuum, open and slow it makes none."""
    throttle, speed = draft.get("throttle"), draft.get("engine_speed")
    if throttle is None or speed is None:
        return "", ""
    least, most = _ambient_range(draft)
    loaded = draft.loaded_rows()
    shut = values[_rows_below(draft, "throttle", _CLOSED_THROTTLE_PCT)]
    vacuum = shut.size >= _FEW_ROWS and bool(np.all((shut > 0.1 * least) & (shut < 0.75 * least)))
    if vacuum and value_range(values[loaded])[0] > 0.8 * most:
        return "absolute", "it falls below ambient when the throttle is shut"
    open_wide = loaded & np.greater(throttle.values, _OPEN_THROTTLE_PCT)
    if not open_wide.any():
        return "", ""
    slow = open_wide & np.less_equal(speed.values, np.nanquantile(speed.values[open_wide], 0.25))
    high = value_range(values[slow])[1]
    if high < 0.7 * least:
        return "gauge", (
            f"{high:g} kPa absolute at low speed with the throttle open would be a closed intake"
        )
    return "", ""
