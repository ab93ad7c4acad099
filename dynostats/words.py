"""Words of a sentence that every part of the package may need."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape


def count(number: int, noun: str) -> str:
    """Return a count with its noun, e.g. "1 pull", "3 pulls"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def as_paragraphs(sentences: Iterable[str]) -> str:
    """Return sentences as HTML paragraphs, as a notebook shows them; nothing in them is markup."""
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)
