"""What words left open and values decide: units, doubled columns, mixture, the missing partner."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from dynostats.arrays import Floats
from dynostats.errors import InputError
from dynostats.ingest.draft import Column, Draft
from dynostats.ingest.figures import FASTEST_RPM, find_median, power_ratio, value_range
from dynostats.units import convert, power_kw, torque_nm

# Two columns of one channel are the same measurement when they differ by less than rounding does.
_SAME_SHARE = 0.002
_IDENTITY_SHARE = 0.004
_MOST_SHOWN = 40
_LONGEST_SHOWN = 60
# Torque and power units that appear side by side; common practice, no published source.
_UNIT_PAIRS = (
    ("N.m", "kW"),
    ("N.m", "PS"),
    ("N.m", "hp"),
    ("N.m", "W"),
    ("lbf.ft", "hp"),
    ("kgf.m", "PS"),
)
_TORQUE_UNITS = ("N.m", "lbf.ft", "kgf.m")
_POWER_UNITS = ("kW", "W", "hp", "PS")
_NEEDED = ("engine_speed", "torque", "power")


def settle_columns(draft: Draft) -> None:
    """Settle all units, turn values into stored units, and let each channel stand once.

    Args:
        draft: The columns; changed in place. Pressures keep the reference they came with.

    Raises:
        InputError: If engine speed, torque or power cannot be read in one way only.
    """
    _require_speed(draft)
    _settle_clock(draft)
    _settle_pair(draft)
    _settle_likely(draft)
    for column in draft.columns:
        _convert(column)
    _settle_doubles(draft)
    _check_speed(draft)
    _settle_mixture(draft)
    _derive_partner(draft)


def _require_speed(draft: Draft) -> None:
    if draft.get("engine_speed") is None:
        found = ", ".join(_show(column) for column in draft.columns[:_MOST_SHOWN])
        more = len(draft.columns) - _MOST_SHOWN
        found += f" and {more} more" if more > 0 else ""
        raise InputError(
            f"Nothing ingested: no engine-speed column. Columns found: {found}.",
            where=draft.name,
            mend="Name it with --channels or in the header.",
        )


def _show(column: Column) -> str:
    return column.source[:_LONGEST_SHOWN] or f"column {column.number}"


def _settle_clock(draft: Draft) -> None:
    """Decide seconds or milliseconds from step and length, or keep the column as no clock."""
    column = draft.get("time")
    if column is None or column.source_unit:
        return
    stamps = column.values[np.isfinite(column.values)]
    steps = np.diff(stamps)
    step = find_median(steps[steps > 0]) if (steps > 0).any() else 0.0
    length = float(np.ptp(stamps)) if stamps.size else 0.0
    if step <= 1.0:
        column.source_unit = "s"
        column.how.append(f"its steps of {step:g} are seconds")
    elif step > 2.0 and length / step > 1.0 and np.all(stamps == np.round(stamps)):
        column.source_unit = "ms"
        column.how.append(f"its whole-number steps of {step:g} are milliseconds")
        draft.tell(
            "unit_decided",
            "note",
            f"Column {column.number} '{column.source}' states no unit; its steps of {step:g} were "
            "read as milliseconds.",
        )
    else:
        _keep_unitless(draft, column, f"steps of {step:g} over {length:g}")


def _keep_unitless(draft: Draft, column: Column, shown: str) -> None:
    name = column.channel
    message = (
        f"Column {column.number} '{column.source}' states no unit and its values ({shown}) do not "
        f"tell which; it was kept as {name}_unit_unknown. State the unit in the header or with "
        "--channels."
    )
    draft.tell("unit_unknown", "doubtful", message)
    column.unit = ""
    column.demote(draft.free_name(f"{name}_unit_unknown", column.number), "unit not known")


def _settle_pair(draft: Draft) -> None:
    """Decide unstated units of torque and power from power being torque times speed."""
    torque = [column for column in draft.columns if column.channel == "torque"]
    power = [column for column in draft.columns if column.channel == "power"]
    if all(column.source_unit for column in (*torque, *power)):
        return
    speed = draft.get("engine_speed")
    if speed is None:
        return
    speed_rpm = convert(speed.values, speed.source_unit or "rpm", "rpm")
    pairs = {
        units
        for one, other in product(torque, power)
        for units in _fitting_units(one, other, speed_rpm)
    }
    for position, columns in enumerate((torque, power)):
        units = {pair[position] for pair in pairs}
        for column in columns:
            if column.source_unit:
                continue
            if len(units) == 1:
                column.source_unit = next(iter(units))
                column.how.append(
                    f"{column.source_unit}, because only then power is torque times speed"
                )
            else:
                low, high = value_range(column.values)
                _keep_unitless(draft, column, f"{low:g} to {high:g}")


def _fitting_units(torque: Column, power: Column, speed_rpm: Floats) -> list[tuple[str, str]]:
    """Return the unit pairs under which power is torque times speed."""
    if torque.source_unit and power.source_unit:
        return [(torque.source_unit, power.source_unit)]
    if torque.source_unit:
        choices: Sequence[tuple[str, str]] = [(torque.source_unit, unit) for unit in _POWER_UNITS]
    elif power.source_unit:
        choices = [(unit, power.source_unit) for unit in _TORQUE_UNITS]
    else:
        choices = _UNIT_PAIRS
    fitting: list[tuple[str, str]] = []
    for one, other in choices:
        ratio = power_ratio(
            convert(torque.values, one, "N.m"), convert(power.values, other, "kW"), speed_rpm
        )
        if ratio is not None and abs(ratio - 1.0) < _IDENTITY_SHARE:
            fitting.append((one, other))
    return fitting


def _settle_likely(draft: Draft) -> None:
    """Decide the other unstated units where the values fit one unit only."""
    for column in draft.known():
        spec = column.spec
        if spec is None or column.source_unit:
            continue
        loaded = draft.loaded_rows() if not spec.holds else np.ones(column.values.size, np.bool_)
        low, high = value_range(column.values[loaded])
        fitting = [
            unit for unit, (least, most) in spec.likely.items() if least <= low and high <= most
        ]
        if len(fitting) != 1:
            _keep_unitless(draft, column, f"{low:g} to {high:g} under load")
            continue
        column.source_unit = fitting[0]
        column.how.append(f"{fitting[0]}, because {low:g} to {high:g} fits no other unit")
        draft.tell(
            "unit_decided",
            "note",
            f"Column {column.number} '{column.source}' states no unit; {low:g} to {high:g} was "
            f"read as {fitting[0]}.",
        )


def _convert(column: Column) -> None:
    if column.spec is None or (column.rule is not None and column.rule.stoichiometric is not None):
        return
    column.values = convert(column.values, column.source_unit, column.spec.unit)
    column.unit = column.spec.unit


def _settle_doubles(draft: Draft) -> None:
    """Let each channel stand once: the user's choice, else equal columns merge, else none wins."""
    groups: dict[str, list[Column]] = {}
    for column in draft.known():
        groups.setdefault(column.channel, []).append(column)
    doubles = {channel: group for channel, group in groups.items() if len(group) > 1}
    undecided: list[str] = []
    for channel, group in doubles.items():
        ruled = [column for column in group if column.rule is not None]
        strong = [column for column in group if column.match and not column.match.needs_unit]
        if len(ruled) == 1:
            _keep_one(draft, group, ruled[0], "the channel file says so")
        elif len(strong) == 1 and not ruled:
            _keep_one(draft, group, strong[0], "its name is the clearer one")
        elif _agree(group):
            _keep_one(draft, group, group[0], "both say the same")
        else:
            undecided.append(_say_double(channel, group))
            for column in group:
                column.demote(f"{channel}_column_{column.number}", "the name stands twice")
    if undecided:
        _tell_undecided(draft, undecided, doubles)


def _keep_one(draft: Draft, group: Sequence[Column], kept: Column, why: str) -> None:
    for column in group:
        if column is not kept:
            draft.tell(
                "duplicate_column",
                "note",
                f"Columns {kept.number} and {column.number} both claim {kept.channel}; column "
                f"{kept.number} '{kept.source}' was taken, because {why}.",
            )
            column.demote(
                f"{kept.channel}_column_{column.number}",
                f"column {kept.number} was taken, because {why}",
            )


def _agree(group: Sequence[Column]) -> bool:
    first = group[0].values
    size = np.nanmax(np.abs(first), initial=0.0)
    return all(
        bool(np.all(np.isnan(column.values) == np.isnan(first)))
        and float(np.nanmax(np.abs(column.values - first), initial=0.0)) <= _SAME_SHARE * size
        for column in group[1:]
    )


def _say_double(channel: str, group: Sequence[Column]) -> str:
    numbers = " and ".join(str(column.number) for column in group)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = group[1].values / group[0].values
    ratios = ratios[np.isfinite(ratios)]
    apart = f", {100 * (float(np.median(ratios)) - 1):+.1f} %" if ratios.size else ""
    return f"{channel} in columns {numbers}{apart}"


def _tell_undecided(
    draft: Draft, undecided: Sequence[str], doubles: dict[str, list[Column]]
) -> None:
    mend = (
        "Say which is meant in a --channels file, for example [torque] then "
        'names = ["Torque"] then column = 3.'
    )
    message = f"More than one column for one channel: {'; '.join(undecided)}."
    lost = [channel for channel in _NEEDED if channel in doubles and draft.get(channel) is None]
    if "engine_speed" in lost or (lost and not (draft.get("torque") or draft.get("power"))):
        raise InputError(
            f"Nothing ingested: {message[0].lower()}{message[1:]}", where=draft.name, mend=mend
        )
    draft.tell("duplicate_column", "doubtful", f"{message} None was taken; both were kept. {mend}")


def _check_speed(draft: Draft) -> None:
    speed = draft.get("engine_speed")
    if speed is None:
        return
    low, high = value_range(speed.values)
    if not FASTEST_RPM[0] <= high <= FASTEST_RPM[1]:
        raise InputError(
            f"Nothing ingested: column {speed.number} '{speed.source}' should be engine speed, but "
            f"runs from {low:g} to {high:g} 1/min.",
            where=draft.name,
            mend="State its unit in the header, or name the right column with --channels.",
        )


def _settle_mixture(draft: Draft) -> None:
    """Turn an air fuel ratio into lambda where the user gave the stoichiometric one."""
    for column in draft.columns:
        ratio = column.rule.stoichiometric if column.rule else None
        if ratio is not None:
            column.values = column.values / ratio
            column.source_unit, column.unit = "AFR", "1"
            column.how.append(f"air fuel ratio divided by {ratio:g} from the channel file")
        elif column.spec is not None and column.spec.name == "afr":
            draft.tell(
                "afr_not_lambda",
                "note",
                f"Column {column.number} '{column.source}' is an air fuel ratio and stays one: "
                "lambda needs the stoichiometric ratio of the fuel (stoichiometric = … in the "
                "--channels file).",
            )
    for column in draft.known():
        if column.spec is not None and column.spec.name == "lambda":
            _check_lambda(draft, column)


_LAMBDA = (0.4, 4.0)


def _check_lambda(draft: Draft, column: Column) -> None:
    low, high = value_range(column.values[draft.loaded_rows()])
    if np.isfinite(low) and not (low >= _LAMBDA[0] and high <= _LAMBDA[1]):
        draft.tell(
            "lambda_range",
            "doubtful",
            f"Column {column.number} '{column.source}' runs from {low:g} to {high:g} under load, "
            "which is no lambda; it was kept as "
            f"{column.channel}_as_found. An air fuel ratio should be headed AFR.",
        )
        column.demote(f"{column.channel}_as_found", "its values are no lambda")


def _derive_partner(draft: Draft) -> None:
    """Add torque or power when only the other was measured."""
    speed, torque, power = (draft.get(channel) for channel in _NEEDED)
    if speed is None:
        return
    if torque is not None and power is None:
        _add(draft, "power", "kW", power_kw(torque.values, speed.values), "torque times speed")
    elif power is not None and torque is None:
        with np.errstate(divide="ignore", invalid="ignore"):
            values = torque_nm(power.values, speed.values)
        values[~np.isfinite(values)] = np.nan
        _add(draft, "torque", "N.m", values, "power over speed")
    elif torque is None and power is None:
        _tell_no_torque(draft)


def _add(draft: Draft, channel: str, unit: str, values: Floats, how: str) -> None:
    draft.columns.append(
        Column(
            source="",
            number=0,
            channel=channel,
            match=None,
            spec=None,
            unit=unit,
            source_unit=unit,
            values=values,
            how=[f"not in the file; {how} (P = T * n * pi / 30000)"],
        )
    )


def _tell_no_torque(draft: Draft) -> None:
    """Refuse a log whose torque and power cannot be told; tell of one that has none."""
    lost = ("torque_unit_unknown", "power_unit_unknown")
    unread = [column for column in draft.columns if column.channel.startswith(lost)]
    if unread:
        raise InputError(
            "Nothing ingested: the unit of "
            + " and ".join(f"column {column.number} '{column.source}'" for column in unread)
            + " is not stated and cannot be told from the numbers.",
            where=draft.name,
            mend="Write it in the header (Torque [N.m]) or in a --channels file.",
        )
    draft.tell(
        "no_torque",
        "void",
        "The file holds neither torque nor power as measured, so this pull cannot be compared.",
    )
