"""What the paperwork says of how a pull was measured: attributes of the sheet, read as values."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import polars as pl

from dynostats.curves.correction import find_standard
from dynostats.errors import AnalysisError, DynostatsError
from dynostats.units import convert

Place = Literal["engine", "hub", "roller"]

_PLACES: dict[str, Place] = {
    "engine": "engine",
    "crank": "engine",
    "crankshaft": "engine",
    "flywheel": "engine",
    "hub": "hub",
    "hubs": "hub",
    "roller": "roller",
    "rollers": "roller",
    "wheel": "roller",
    "wheels": "roller",
}
_IGNITIONS: dict[str, Literal["spark", "compression"]] = {
    "spark": "spark",
    "petrol": "spark",
    "gasoline": "spark",
    "compression": "compression",
    "diesel": "compression",
}
_BOOSTS = {
    "compensated": True,
    "absolute": True,
    "closed loop": True,
    "spring": False,
    "open loop": False,
    "mechanical": False,
    "none": False,
}
# Spellings of units that stand for something else in a log.
_UNITS = {"l": "dm3", "ltr": "dm3", "cc": "cm3", "ci": "in3", "cid": "in3", "cui": "in3"}
_TITLE = re.compile(r"^[^\[(]*(?:[\[(](?P<unit>[^\])]*)[\])])?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the paperwork says of how one pull was measured; None where it says nothing.

    Args:
        correction: Standard that the stored torque is already corrected by; "none" for none.
        correction_factor: Factor that it was multiplied by.
        torque_at: Where torque was measured.
        inertia_kg_m2: Inertia of what turns between pistons and brake, referred to engine speed.
        displacement_l: Swept volume of the engine.
        engine_factor: Stated factor fm of a compression-ignition engine.
        ignition: Kind of engine.
        compensated: Whether boost is held whatever the air of the cell.
        fault: Why what it says cannot be used.
    """

    correction: str | None = None
    correction_factor: float | None = None
    torque_at: Place | None = None
    inertia_kg_m2: float | None = None
    displacement_l: float | None = None
    engine_factor: float | None = None
    ignition: Literal["spark", "compression"] | None = None
    compensated: bool | None = None
    fault: AnalysisError | None = None

    @property
    def corrected_by(self) -> str:
        """Return the standard that the stored torque is corrected by, "none" when not said."""
        return self.correction or "none"


NOTHING_SAID = Facts()


def read_facts(attributes: pl.DataFrame) -> dict[str, Facts]:
    """Read what sheets and files say of pulls.

    Args:
        attributes: One row a pull and attribute, as the query `attributes` gives it: pull, origin,
            name, title, value.

    Returns:
        The facts by pull, for pulls of which anything is said.
    """
    said: dict[str, dict[str, tuple[tuple[bool, bool], str, str]]] = {}
    columns = ("pull", "origin", "name", "title", "value")
    for pull, origin, name, title, value in attributes.select(columns).iter_rows():
        if name not in _FIELDS or value is None or not value.strip():
            continue
        # The sheet before the file; a bare title, which an amendment has, before one with a unit.
        rank = (origin == "sheet", title.strip().lower() == name)
        own = said.setdefault(pull, {})
        if name not in own or rank > own[name][0]:
            own[name] = (rank, title, value.strip())
    return {
        pull: _facts(pull, {name: (title, value) for name, (_, title, value) in own.items()})
        for pull, own in said.items()
    }


def _facts(pull: str, own: Mapping[str, tuple[str, str]]) -> Facts:
    facts = NOTHING_SAID
    for name, (title, value) in own.items():
        try:
            facts = replace(facts, **{_FIELDS[name][0]: _FIELDS[name][1](pull, title, value)})
        except AnalysisError as error:
            return Facts(fault=error)
    if facts.correction_factor is not None and facts.correction is None:
        return Facts(
            fault=AnalysisError(
                "it has a correction_factor but no correction",
                where=pull,
                mend=f"Name the standard: dynostats amend {pull} correction=NAME --why REASON",
            )
        )
    return facts


def _choice(
    known: Mapping[str, object], field: str, examples: str
) -> Callable[[str, str, str], object]:
    def read(pull: str, _: str, value: str) -> object:
        found = known.get(" ".join(value.casefold().replace("_", " ").replace("-", " ").split()))
        if found is None:
            raise AnalysisError(
                f"{field} is '{value}'; it must be {examples}",
                where=pull,
                mend=f"dynostats amend {pull} {field}=VALUE --why REASON",
            )
        return found

    return read


def _number(field: str, unit: str, low: float, high: float) -> Callable[[str, str, str], object]:
    def read(pull: str, title: str, value: str) -> object:
        shown = f"{unit} " if unit != "1" else ""
        try:
            number = float(value.replace(",", "."))
            number = _converted(number, title, unit)
        except (ValueError, DynostatsError):
            number = float("nan")
        if not low <= number <= high:
            raise AnalysisError(
                f"{title.strip()} is '{value}'; it must be a number from {low:g} to {high:g} "
                f"{shown}".rstrip(),
                where=pull,
                mend=f"dynostats amend {pull} {field}=VALUE --why REASON"
                + (f", in {unit}" if shown else ""),
            )
        return number

    return read


def _converted(number: float, title: str, unit: str) -> float:
    match = _TITLE.match(title)
    stated = "" if match is None else (match["unit"] or "").strip()
    if not stated or unit == "1":
        return number
    return convert(number, _UNITS.get(stated.casefold(), stated), unit)


def _standard(pull: str, _: str, value: str) -> str:
    try:
        return find_standard(value, where=pull)
    except AnalysisError as error:
        raise AnalysisError(
            f"its sheet says it is corrected by '{value}', which is no standard known here",
            where=pull,
            mend=f"{error.mend} dynostats amend {pull} correction=NAME --why REASON",
        ) from error


# Attribute: field of Facts, how it is read. Ranges: common practice, no published source.
_FIELDS: dict[str, tuple[str, Callable[[str, str, str], object]]] = {
    "correction": ("correction", _standard),
    "correction_factor": ("correction_factor", _number("correction_factor", "1", 0.7, 1.5)),
    "torque_at": ("torque_at", _choice(_PLACES, "torque_at", "engine, hub or roller")),
    "inertia": ("inertia_kg_m2", _number("inertia", "kg.m2", 0.001, 100.0)),
    "displacement": ("displacement_l", _number("displacement", "dm3", 0.02, 100.0)),
    "engine_factor": ("engine_factor", _number("engine_factor", "1", 0.2, 1.2)),
    "ignition": ("ignition", _choice(_IGNITIONS, "ignition", "spark or compression")),
    "boost_control": (
        "compensated",
        _choice(_BOOSTS, "boost_control", "compensated, spring, mechanical or none"),
    ),
}
ATTRIBUTES = tuple(_FIELDS)
"""Names of the attributes that are read."""
