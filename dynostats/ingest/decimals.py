"""Which sign is the decimal one, decided from whole columns and, last, from the physics."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import product

import numpy as np

from dynostats.arrays import Floats
from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.figures import FASTEST_RPM, power_ratio, value_range
from dynostats.ingest.labels import read_labels
from dynostats.ingest.numerals import Cell, decimal_proofs, read_numbers
from dynostats.ingest.table import Header
from dynostats.units import convert, unit_dimension

_SIGNS = (".", ",")
_TWO_WAYS = re.compile(r"[+-]?\d{1,3}[.,]\d{3}", re.ASCII)
_IDENTITY_SHARE = 0.01
_TORQUE_UNITS = ("N.m", "lbf.ft", "kgf.m")
_POWER_UNITS = ("kW", "W", "hp", "PS")


def settle_decimals(
    columns: Sequence[Sequence[Cell]], header: Header, table: ChannelTable, *, name: str
) -> list[str]:
    """Return the decimal sign of each column.

    A column that proves its sign keeps it. The others follow the rest of the file. When nothing in
    the file proves a sign (every number is an integer or ends in three digits, like 2.125), the
    engine speed must be a possible one and power must be torque times speed.

    Args:
        columns: The cells of each column.
        header: Names and units, to find speed, torque and power.
        table: Names of channels, and the sign the user stated.
        name: Name of the file, for messages.

    Raises:
        InputError: If a column holds both signs as decimal ones, or both readings are possible.
    """
    proofs = [decimal_proofs(cells) for cells in columns]
    for title, proof in zip(header.names, proofs, strict=True):
        if len(proof) > 1:
            raise InputError(
                f"Nothing ingested: column '{title}' holds decimal points and decimal commas.",
                where=name,
                mend="Export the log with one decimal sign.",
            )
    proved = set[str]().union(*proofs)
    if table.decimal:
        proved = {table.decimal}
    if len(proved) != 1:
        proved = _weigh(columns, proofs, header, table, name=name)
    common = proved.pop()
    return [next(iter(proof), common) for proof in proofs]


def _weigh(
    columns: Sequence[Sequence[Cell]],
    proofs: Sequence[set[str]],
    header: Header,
    table: ChannelTable,
    *,
    name: str,
) -> set[str]:
    """Return the one sign that gives a possible engine for the columns that prove nothing."""
    open_columns = [
        place
        for place, (cells, proof) in enumerate(zip(columns, proofs, strict=True))
        if not proof
        and any(isinstance(cell, str) and _TWO_WAYS.fullmatch(cell.strip()) for cell in cells)
    ]
    if not open_columns:
        return {"."}
    places = {
        wanted: find_column(header, wanted, table) for wanted in ("engine_speed", "torque", "power")
    }
    possible = {
        sign
        for sign in _SIGNS
        if _is_possible(
            {
                wanted: read_numbers(columns[place], decimal=next(iter(proofs[place]), sign))[0]
                for wanted, place in places.items()
                if place is not None
            },
            {wanted: _stated_unit(header, place) for wanted, place in places.items()},
        )
    }
    if len(possible) == 1:
        return possible
    titles = ", ".join(f"'{header.names[place]}'" for place in open_columns[:4])
    raise InputError(
        f"Nothing ingested: the numbers in {titles} can be read in two ways (2.125 may be two or "
        "two thousand), and nothing else in the file tells which.",
        where=name,
        mend='Write decimal = "," or decimal = "." at the top of a --channels file, or export with '
        "one or two decimals.",
    )


def find_column(header: Header, wanted: str, table: ChannelTable) -> int | None:
    """Return the place of the first column that names a channel, or None."""
    for place, (title, unit) in enumerate(zip(header.names, header.units, strict=True)):
        rule = table.find_rule(title)
        if rule is not None and rule.channel == wanted:
            return place
        for way in read_labels(title, unit):
            if any(match.channel == wanted for match in table.find(way.name)):
                return place
    return None


def _stated_unit(header: Header, place: int | None) -> str:
    if place is None:
        return ""
    ways = read_labels(header.names[place], header.units[place])
    return next((way.unit.unit for way in ways if way.unit.unit), "")


def _is_possible(values: dict[str, Floats], units: dict[str, str]) -> bool:
    """Return whether speed is an engine's and power, if there, is torque times speed."""
    speed = values.get("engine_speed")
    if speed is None or not np.isfinite(speed).any():
        return True
    if unit_dimension(units["engine_speed"]) == "rotational speed":
        speed = convert(speed, units["engine_speed"], "rpm")
    if not FASTEST_RPM[0] <= value_range(speed)[1] <= FASTEST_RPM[1]:
        return False
    if "torque" not in values or "power" not in values:
        return True
    return any(
        _fits(speed, convert(values["torque"], one, "N.m"), convert(values["power"], other, "kW"))
        for one, other in product(
            _choices(units["torque"], "torque", _TORQUE_UNITS),
            _choices(units["power"], "power", _POWER_UNITS),
        )
    )


def _choices(stated: str, dimension: str, usual: tuple[str, ...]) -> tuple[str, ...]:
    return (stated,) if unit_dimension(stated) == dimension else usual


def _fits(speed: Floats, torque: Floats, power: Floats) -> bool:
    ratio = power_ratio(torque, power, speed)
    return ratio is None or abs(ratio - 1.0) < _IDENTITY_SHARE
