"""What holds for many pulls is said once: one sentence must not fill a screen a thousand times."""

from __future__ import annotations

import re
from collections.abc import Iterable

# So many texts that differ in numbers only are each shown; more become one.
MOST_ALIKE = 6
_NUMBER = re.compile(r"'[^']*'|\d[\d.,:]*")


def gather(told: Iterable[tuple[str, str]]) -> list[tuple[list[str], str]]:
    """Gather whom each text holds for, in the order given.

    Example:
        >>> gather([("P1", "2 rows left out"), ("P2", "2 rows left out"), ("P3", "none")])
        [(['P1', 'P2'], '2 rows left out'), (['P3'], 'none')]
    """
    names: dict[str, list[str]] = {}
    for name, text in told:
        names.setdefault(text, []).append(name)
    return [(own, text) for text, own in names.items()]


def gather_alike(told: Iterable[tuple[str, str]]) -> list[tuple[list[str], str]]:
    """Gather likewise, and make one of more than `MOST_ALIKE` texts that differ in numbers only.

    The first stands for all, and says whose numbers it has. Names in quotes are kept apart. Not for
    what is a danger or makes a pull void: there every number counts.
    """
    told = list(told)
    names = {text: own for own, text in gather(told)}
    alike: dict[str, list[str]] = {}
    for text in names:
        alike.setdefault(_without_numbers(text), []).append(text)
    found: list[tuple[list[str], str]] = []
    for text, own in names.items():
        texts = alike[_without_numbers(text)]
        if len(texts) <= MOST_ALIKE:
            found.append((own, text))
        elif text == texts[0]:
            same = set(texts)
            every = list(dict.fromkeys(name for name, one in told if one in same))
            found.append((every, f"{text} (These numbers are of {own[0]}; others have theirs.)"))
    return found


def _without_numbers(text: str) -> str:
    return _NUMBER.sub(lambda part: part[0] if part[0].startswith("'") else "#", text)
