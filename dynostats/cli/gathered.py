"""What holds for many pulls is said once: one sentence must not fill a screen a thousand times."""

from __future__ import annotations

import re
from collections.abc import Iterable

# So many texts that differ in numbers only are each shown; more become one.
MOST_ALIKE = 6
# What stands in quotes and what begins with a letter, such as lambda_1, is a name and no number.
_NAME_OR_NUMBER = re.compile(r"(?<!\w)'.*?'(?!\w)|[^\W\d][\w-]*|\d[\d.,:]*")
# So many consecutive pulls are told by the first and the last.
LEAST_RUN = 3


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

    The first stands for all, and says whose numbers it has. Names are kept apart. Not for
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


def name_pulls(names: Iterable[str]) -> str:
    """Return the names of pulls in the order they were stored, runs of them shortened.

    Example:
        >>> name_pulls(["P7", "P1", "P3", "P2", "P12"])
        'P1 to P3, P7, P12'
    """
    runs: list[list[int]] = []
    for number in sorted({int(name.removeprefix("P")) for name in names}):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(
        f"P{run[0]} to P{run[-1]}"
        if len(run) >= LEAST_RUN
        else ", ".join(f"P{number}" for number in run)
        for run in runs
    )


def _without_numbers(text: str) -> str:
    return _NAME_OR_NUMBER.sub(lambda part: "#" if part[0][0].isdigit() else part[0], text)
