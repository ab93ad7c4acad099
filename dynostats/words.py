"""Words of a sentence that every part of the package may need."""

from __future__ import annotations


def count(number: int, noun: str) -> str:
    """Return a count with its noun, e.g. "1 pull", "3 pulls"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
