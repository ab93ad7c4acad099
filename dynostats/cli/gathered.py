"""What holds for many pulls is said once: one sentence must not fill a screen a thousand times."""

from __future__ import annotations

import re
from collections.abc import Iterable

# So many texts that differ in numbers only are each shown; more become one.
MOST_ALIKE = 6
# What stands in quotes and what begins with a letter, such as lambda_1, is a name and no number.
_NAME_OR_NUMBER = re.compile(r"(?<!\w)'.*?'(?!\w)|[^\W\d][\w-]*|\d[\d.,:]*")


def gather(
    told: Iterable[tuple[str, str]], *, each_number: bool = False
) -> list[tuple[list[str], str]]:
    """Gather whom each text holds for.

    Args:
        told: Name and text, in the order to be shown. Names within a text, such as lambda_1 or what
            stands in quotes, are kept apart, numbers are not.
        each_number: Keep numbers apart as well, however many texts there are.

    Returns:
        Names and text. Where more than `MOST_ALIKE` texts differ in numbers only, they are one: the
        first, which says whose numbers it has.

    Example:
        >>> gather([("P1", "2 rows left out"), ("P2", "2 rows left out"), ("P3", "none")])
        [(['P1', 'P2'], '2 rows left out'), (['P3'], 'none')]
    """
    names: dict[str, list[str]] = {}
    for name, text in told:
        names.setdefault(text, []).append(name)
    alike: dict[str, list[str]] = {}
    for text in names:
        alike.setdefault(_without_numbers(text), []).append(text)
    found: list[tuple[list[str], str]] = []
    for text, own in names.items():
        texts = alike[_without_numbers(text)]
        if each_number or len(texts) <= MOST_ALIKE:
            found.append((own, text))
        elif text == texts[0]:
            every = list(dict.fromkeys(name for one in texts for name in names[one]))
            found.append((every, f"{text} (These numbers are of {own[0]}; others have theirs.)"))
    return found


def _without_numbers(text: str) -> str:
    return _NAME_OR_NUMBER.sub(lambda part: "#" if part[0][0].isdigit() else part[0], text)
