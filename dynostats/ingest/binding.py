"""Headers to channels: which column is what, in which unit, and who said so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from dynostats.ingest.channels import ChannelTable, Match, Reference
from dynostats.ingest.draft import clean_name
from dynostats.ingest.labels import Label, read_labels
from dynostats.ingest.log import Finding
from dynostats.ingest.table import Header
from dynostats.units import unit_dimension


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """What one header stands for, as far as words can tell.

    Args:
        source: Header as found.
        number: Number of the column in the file, from 1.
        channel: Name it is stored under.
        match: The name that was recognised; None for a column outside table and channel file.
        source_unit: Unit of the file's numbers (short name, or words as found); "" when not stated.
        reference: What header, unit or channel file say about a pressure in so many words.
        how: How name and unit were decided.
        finding: What its reader should know; None for an ordinary header.
    """

    source: str
    number: int
    channel: str
    match: Match | None
    source_unit: str
    reference: Reference
    how: str
    finding: Finding | None = None


@lru_cache(maxsize=512)
def bind_header(header: Header, table: ChannelTable) -> tuple[Binding, ...]:
    """Return what each column stands for, in file order.

    Two columns may claim one channel here; who gets it depends on their values.

    Args:
        header: Names and units as found.
        table: Names of channels.
    """
    bindings = [
        _bind(title, unit, number, table)
        for title, unit, number in zip(header.names, header.units, header.numbers, strict=True)
    ]
    return tuple(_make_distinct(bindings, table))


def _bind(title: str, unit: str, number: int, table: ChannelTable) -> Binding:
    ways = read_labels(title, unit)
    if _has_rules(title, ways, table):
        bound = _bind_ruled(title, ways, number, table)
    else:
        bound = next(
            (
                binding
                for way in ways
                for match in table.find(way.name)
                if (binding := _bind_match(title, way, match, number)) is not None
            ),
            None,
        )
    return bound or _bind_unknown(title, ways, number, table)


def _has_rules(title: str, ways: Sequence[Label], table: ChannelTable) -> bool:
    return any(table.find_rules(text) for text in (title, *(way.name for way in ways)))


def _bind_ruled(
    title: str, ways: Sequence[Label], number: int, table: ChannelTable
) -> Binding | None:
    """Return what the user's channel file says about a column, or None."""
    for way, text in [(ways[0], title), *((way, way.name) for way in ways)]:
        for match in table.find_rules(text):
            rule = match.rule
            if rule is None or rule.column not in {None, number}:
                continue
            unit = rule.unit or way.unit.unit or (match.spec.assumed if match.spec else "")
            stated = "unit from the channel file" if rule.unit else _say_unit(way, unit)
            return Binding(
                source=title,
                number=number,
                channel=match.channel,
                match=match,
                source_unit=unit or way.unit.text,
                reference=rule.reference or way.reference,
                how=f"named in the channel file; {stated}",
            )
    return None


def _say_unit(way: Label, unit: str) -> str:
    if way.unit.unit:
        return f"unit stated as '{way.unit.text}'"
    if unit:
        return f"no unit stated, {unit} is the only one in use"
    return "no unit stated"


def _bind_match(title: str, way: Label, match: Match, number: int) -> Binding | None:
    """Return the binding if the unit beside the name is of the channel's kind, else None."""
    match = _tell_mixture(way, match)
    spec = match.spec
    if spec is None or (way.unit.text and not way.unit.unit):
        return None
    unit = way.unit.unit or spec.assumed
    if not way.unit.unit and match.needs_unit:
        return None
    if spec.name == "afr" and unit == "1":
        unit = "AFR"
    if unit and unit_dimension(unit) != unit_dimension(spec.unit):
        return None
    return Binding(
        source=title,
        number=number,
        channel=match.channel,
        match=match,
        source_unit=unit,
        reference=way.reference if unit_dimension(spec.unit) == "pressure" else "",
        how=f"'{way.name}' is a usual name of {match.channel}; {_say_unit(way, unit)}",
    )


def _tell_mixture(way: Label, match: Match) -> Match:
    """Return the match of a mixture column as its unit has it: lambda or air fuel ratio."""
    spec = match.spec
    if spec is None or spec.name not in {"lambda", "afr"} or not way.unit.unit:
        return match
    wanted = spec.name
    if unit_dimension(way.unit.unit) == "air fuel ratio":
        wanted = "afr"
    elif way.unit.text.lower() in {"lambda", "λ"}:
        wanted = "lambda"
    if wanted == spec.name:
        return match
    unit = "AFR" if wanted == "afr" else "1"
    return replace(
        match,
        channel=match.channel.replace(spec.name, wanted, 1),
        spec=replace(spec, name=wanted, unit=unit, assumed=unit),
    )


def _bind_unknown(title: str, ways: Sequence[Label], number: int, table: ChannelTable) -> Binding:
    plain = ways[0]
    close = next((match for way in ways for match in table.find(way.name) if match.spec), None)
    unit = next((way.unit.unit or way.unit.text for way in ways if way.unit.text), "")
    unit = unit if plain.unit.text or close else ""
    how, finding = "not in the channel table, kept under its own name", None
    if _has_rules(title, ways, table):
        how = "the channel file gives this name to another column, kept under its own name"
    elif close is not None and unit and not close.needs_unit:
        finding = _wrong_unit(title, number, unit, close)
        how = finding.message
    return Binding(
        source=title,
        number=number,
        channel=clean_name(plain.name) or f"column_{number}",
        match=None,
        source_unit=unit,
        reference="",
        how=how,
        finding=finding,
    )


def _wrong_unit(title: str, number: int, unit: str, close: Match) -> Finding:
    kind = unit_dimension(unit)
    reason = f"{unit} measures {kind}" if kind else f"the unit '{unit}' is not known"
    return Finding(
        check="unit_mismatch",
        severity="doubtful",
        message=f"Column {number} '{title}' looks like {close.channel}, but {reason}; it was kept "
        "under its own name. --channels can state the unit.",
    )


def _make_distinct(bindings: list[Binding], table: ChannelTable) -> list[Binding]:
    """Give columns outside the table names that neither the table nor another column has."""
    taken = {binding.channel for binding in bindings if binding.match is not None}
    distinct: list[Binding] = []
    for binding in bindings:
        name = binding.channel
        if binding.match is None:
            if name in taken or any(match.channel == name for match in table.find(name)):
                name = f"{name}_column_{binding.number}"
            taken.add(name)
        distinct.append(replace(binding, channel=name))
    return distinct
