"""A header cell taken apart: name, unit, pressure reference."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from dynostats.ingest.channels import Reference
from dynostats.units import find_unit, unit_dimension

# Words count in a name and behind a unit, letters behind a unit only (bar g, psia).
_ABSOLUTE_WORDS = "abs|absolute|absolut|absolu|absolue|absoluto|absoluta|assoluto|assoluta"
_GAUGE_WORDS = (
    "gauge|gage|gau|rel|relative|relativ|relatif|relativo|relativa|überdruck|ueberdruck|"
    "manométrique|manometrica|manométrica"
)
_ABSOLUTE = f"{_ABSOLUTE_WORDS}|a"
_GAUGE = f"{_GAUGE_WORDS}|g|ü"
_UNIT_REFERENCE = re.compile(
    rf"^(?P<unit>.*?[^\s._(])[\s._]*\(?(?:(?P<absolute>{_ABSOLUTE})|(?P<gauge>{_GAUGE}))\.?\)?$",
    re.IGNORECASE,
)
_NAME_ABSOLUTE = re.compile(rf"(?<![^\W_])(?:{_ABSOLUTE_WORDS})(?![^\W_])\.?", re.IGNORECASE)
_NAME_GAUGE = re.compile(rf"(?<![^\W_])(?:{_GAUGE_WORDS})(?![^\W_])\.?", re.IGNORECASE)
_BRACKETS = re.compile(r"\[([^\[\]]*)\]|\(([^()]*(?:\([^()]*\))?[^()]*)\)|<([^<>]*)>")
_ONLY_REFERENCE = re.compile(rf"^(?:{_ABSOLUTE}|{_GAUGE})\.?$", re.IGNORECASE)
_SPELL_OUT = {"a": "abs", "g": "gauge", "ü": "gauge"}
_LONGEST_HEADER = 200
_TAIL_WORDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitText:
    """A unit as the file writes it.

    Args:
        text: The words as found, without brackets; "" when no unit is stated.
        unit: Short name of the unit; "" when none is stated or the words are not known.
        reference: What the unit says about a pressure.
    """

    text: str = ""
    unit: str = ""
    reference: Reference = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One way to read a header.

    Args:
        name: The name without unit and reference.
        unit: The unit beside it.
        reference: What name or unit say about a pressure.
    """

    name: str
    unit: UnitText
    reference: Reference


def read_unit(text: str) -> UnitText:
    """Return the unit that a units row or a pair of brackets states.

    Example:
        >>> read_unit("[kPa abs]").unit, read_unit("psig").reference, read_unit("furlong").unit
        ('kPa', 'gauge', '')
    """
    words = _strip_brackets(text)
    if not words:
        return UnitText()
    unit = find_unit(words)
    if unit:
        return UnitText(text=words, unit=unit)
    parts = _UNIT_REFERENCE.match(words[:_LONGEST_HEADER])
    unit = find_unit(parts["unit"]) if parts else None
    if parts and unit and unit_dimension(unit) == "pressure":
        return UnitText(
            text=words, unit=unit, reference="absolute" if parts["absolute"] else "gauge"
        )
    return UnitText(text=words)


@lru_cache(maxsize=4096)
def read_labels(header: str, unit_cell: str = "") -> tuple[Label, ...]:
    """Return the ways a header may be read, the plainest first.

    Args:
        header: The header cell as found.
        unit_cell: The cell below it in the units row, if there is one.

    Example:
        >>> [(way.name, way.unit.unit) for way in read_labels("Oil temp C")]
        [('Oil temp C', ''), ('Oil temp', 'degC')]
    """
    text = " ".join(header.split())[:_LONGEST_HEADER]
    stated = read_unit(unit_cell)
    name, bracketed = _take_brackets(text)
    unit = _agree(stated, bracketed)
    ways = [_label(name, unit)]
    whole = read_unit(name)
    if not unit.text and whole.unit:
        ways.append(_label(name, whole))
    if not unit.text:
        ways.extend(_label(front, tail) for front, tail in _split_tail(name))
    return tuple(ways)


def is_unit_cell(text: str) -> bool:
    """Return whether a cell of a units row holds a known unit."""
    return bool(read_unit(text).unit)


def _label(name: str, unit: UnitText) -> Label:
    bare, reference = _take_reference(name)
    return Label(name=bare, unit=unit, reference=unit.reference or reference)


def _strip_brackets(text: str) -> str:
    words = text.strip()
    while len(words) > 1 and words[0] + words[-1] in {"[]", "()", "<>", "{}"}:
        words = words[1:-1].strip()
    return words


def _take_brackets(text: str) -> tuple[str, UnitText]:
    """Return the name and the unit found in brackets; other brackets stay words of the name."""
    unit = UnitText()
    name = text
    for match in _BRACKETS.finditer(text):
        inside = next(group for group in match.groups() if group is not None).strip()
        if _ONLY_REFERENCE.match(inside):
            name = name.replace(match.group(0), f" {_SPELL_OUT.get(inside.lower(), inside)} ", 1)
            continue
        found = read_unit(inside)
        square = match.group(1) is not None
        if (found.unit or (square and found.text)) and not unit.unit:
            unit = found
            name = name.replace(match.group(0), " ", 1)
        elif not inside:
            name = name.replace(match.group(0), " ", 1)
    return " ".join(name.split()), unit


def _agree(row: UnitText, bracket: UnitText) -> UnitText:
    """Return the unit that units row and brackets state together."""
    if not row.text or (row.unit == "1" and bracket.text):
        return bracket
    if not bracket.text or row.unit == bracket.unit:
        return UnitText(text=row.text, unit=row.unit, reference=row.reference or bracket.reference)
    return UnitText(text=f"{bracket.text} / {row.text}")


def _split_tail(name: str) -> list[tuple[str, UnitText]]:
    """Return the ways to see a unit in the last words of a name (time_s, Oil temp C)."""
    ways: list[tuple[str, UnitText]] = []
    starts = [match.start() for match in re.finditer(r"[\s_/,:;]+|(?<=\s)in\s", name)]
    for start in reversed(starts[-_TAIL_WORDS:]):
        front = name[:start].rstrip(" _/,:;")
        tail = name[start:].lstrip(" _/,:;").removeprefix("in ")
        unit = _read_tail(tail)
        if front and unit.unit:
            ways.append((front.removesuffix(" in"), unit))
    return ways


def _read_tail(tail: str) -> UnitText:
    for glue in (" ", "/", "."):
        unit = read_unit(re.sub(r"[\s_]+", glue, tail))
        if unit.unit:
            return unit
    return UnitText()


def _take_reference(name: str) -> tuple[str, Reference]:
    """Return the name without the words that tell absolute from gauge, and what they told."""
    told: tuple[tuple[re.Pattern[str], Reference], ...] = (
        (_NAME_ABSOLUTE, "absolute"),
        (_NAME_GAUGE, "gauge"),
    )
    for pattern, reference in told:
        bare, count = pattern.subn(" ", name)
        if count and bare.strip(" _()[]"):
            return " ".join(bare.split()).strip(" _"), reference
    return name, ""
