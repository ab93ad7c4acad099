"""The declared question as the page shows it."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.planning.wording import say_declared, say_departures, say_look


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredView:
    """What was declared before the pulls, every departure, and the looks taken."""

    question: str
    followed: bool
    departures: tuple[str, ...]
    looks: tuple[str, ...]


def build_declared(result: Comparison) -> DeclaredView | None:
    """Return the declared question as text; None where none was declared."""
    declared = result.declared
    if declared is None:
        return None
    return DeclaredView(
        question=say_declared(declared.declaration),
        followed=not declared.departures,
        departures=say_departures(declared),
        looks=tuple(f"Look {look.number}, {say_look(look)}." for look in declared.looks),
    )
