"""The view as plain values: what a template outside Python prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import cast

from dynostats.report.numbers import Quantity


def to_plain(value: object) -> object:
    """Return texts, lists and dicts of texts; a quantity becomes its text in the stored unit.

    Bytes are left out: pictures travel as files.
    """
    match value:
        case Quantity():
            return value.text
        case str() | bool() | int() | float() | None:
            return value
        case Mapping():
            mapping = cast("Mapping[object, object]", value)
            return {str(key): to_plain(item) for key, item in mapping.items()}
        case Sequence():
            return [to_plain(item) for item in cast("Sequence[object]", value)]
        case _ if is_dataclass(value):
            parts = ((field.name, getattr(value, field.name)) for field in fields(value))
            return {name: to_plain(part) for name, part in parts if not isinstance(part, bytes)}
        case _:
            msg = f"a {type(value).__name__} is nothing a template can print"
            raise TypeError(msg)
