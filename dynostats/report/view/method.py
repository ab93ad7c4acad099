"""How the answer was reached and where the page comes from, as labelled lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from dynostats.analysis.comparison import Comparison


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where a report comes from and how it is made again.

    Args:
        version: Version of dynostats.
        command: The command line that made it.
        warehouse: Name of the warehouse file.
        warehouse_hash: Hash over the warehouse's sources; "" when there is no warehouse.
        created: When it was made, as ISO 8601 text.
        as_of: Past time that the warehouse was read at, likewise; "" where it was read as it stood.
        sources: File name and SHA-256 of each pull's file.
    """

    version: str
    command: str = ""
    warehouse: str = ""
    warehouse_hash: str = ""
    created: str = ""
    as_of: str = ""
    sources: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodItem:
    """One entry of the method: a value, or several lines."""

    name: str
    lines: tuple[str, ...]


def split_method(
    method: Mapping[str, object],
) -> tuple[tuple[MethodItem, ...], tuple[MethodItem, ...], tuple[str, ...]]:
    """Split the method into settings, formulas and references, each readable."""
    formulas = method.get("formulas", {})
    references = method.get("references", ())
    settings = {k: v for k, v in method.items() if k not in ("formulas", "references")}
    return _items(settings), _items(formulas), _lines(references)


def _items(value: object) -> tuple[MethodItem, ...]:
    if isinstance(value, Mapping):
        mapping = cast("Mapping[object, object]", value)
        return tuple(
            MethodItem(name=str(key).replace("_", " "), lines=_lines(item))
            for key, item in mapping.items()
        )
    return tuple(MethodItem(name="", lines=(line,)) for line in _lines(value))


def _lines(value: object) -> tuple[str, ...]:
    match value:
        case str():
            return (value,)
        case Mapping():
            mapping = cast("Mapping[object, object]", value)
            return tuple(
                f"{str(key).replace('_', ' ')}: {', '.join(_lines(item))}"
                for key, item in mapping.items()
            )
        case Sequence():
            return tuple(line for item in cast("Sequence[object]", value) for line in _lines(item))
        case _:
            return (_scalar(value),)


def _scalar(value: object) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{round(value, 12):.6g}"
        case _:
            return str(value)


def design_check_items(result: Comparison) -> tuple[MethodItem, ...]:
    """Return the check by relabelling as labelled lines; empty where there is none."""
    check = result.design_check
    if check is None:
        return ()
    extent = "all there are" if check.exact else "drawn at random"
    return (
        MethodItem(name="Result", lines=(check.text,)),
        MethodItem(name="p value", lines=(f"{check.p_value:.3g}",)),
        MethodItem(name="Smallest p these pulls can reach", lines=(f"{check.smallest_p:.3g}",)),
        MethodItem(name="Relabellings", lines=(f"{check.relabelings:,} ({extent})",)),
    )


def provenance_rows(provenance: Provenance | None) -> tuple[tuple[str, str], ...]:
    """Return what is known of where the page comes from, as label and value."""
    if provenance is None:
        return ()
    rows = [
        ("Made with", f"dynostats {provenance.version}"),
        ("Command", provenance.command),
        ("Warehouse", provenance.warehouse),
        ("Hash of the warehouse", provenance.warehouse_hash),
        ("Made on", provenance.created),
        ("Warehouse as it stood on", provenance.as_of),
    ]
    return tuple((name, value) for name, value in rows if value)
