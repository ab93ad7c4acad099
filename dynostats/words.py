"""Words of a sentence that every part of the package may need."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import cast

_LIKE = 0.6


def count(number: int, noun: str) -> str:
    """Return a count with its noun, e.g. "1 pull", "3 pulls"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def as_paragraphs(sentences: Iterable[str]) -> str:
    """Return sentences as HTML paragraphs, as a notebook shows them; nothing in them is markup."""
    from html import escape  # noqa: PLC0415 - only a notebook needs it

    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def command_line(command: str, options: Mapping[str, object], *arguments: object) -> str:
    """Return a command of dynostats as a shell takes it, to be copied from a report.

    Args:
        command: Its name.
        options: Values by the option's name, as Python spells it. None was not given; two numbers
            are a band, LOW:HIGH; of several values each gets the option anew.
        *arguments: What stands behind the options, parted by `--` where it looks like one.

    Example:
        >>> command_line("compare", {"baseline": "as built", "engine": None, "band": (3e3, 6e3)})
        "dynostats compare --baseline 'as built' --band 3000:6000"
        >>> command_line("monitor", {"channel": ("lambda", "oil_pressure")})
        'dynostats monitor --channel lambda --channel oil_pressure'
    """
    import shlex  # noqa: PLC0415 - only a report needs it, and `--help` starts without it

    words = ["dynostats", command]
    for name, given in options.items():
        for value in _values(given):
            words += [f"--{name.replace('_', '-')}", value]
    behind = [str(argument) for argument in arguments]
    end = ["--"] if any(argument.startswith("-") for argument in behind) else []
    return shlex.join([*words, *end, *behind])


def _values(given: object) -> list[str]:
    match given:
        case None:
            return []
        case (float() | int() as low, float() | int() as high):
            return [f"{low:g}:{high:g}"]
        case tuple():
            return [str(value) for value in cast("tuple[object, ...]", given)]
        case _:
            return [str(given)]


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return "Did you mean '...'? " with the known name most like a wrong one, or "".

    Capitals, spaces, dots, hyphens and underscores do not count.

    Example:
        >>> did_you_mean("Short Hose", ["standard", "short-hose"])
        "Did you mean 'short-hose'? "
        >>> did_you_mean("cam", ["standard", "short-hose"])
        ''
    """
    import difflib  # noqa: PLC0415 - only a wrong name needs it, and `--help` starts without it

    folded = {_fold(one): one for one in sorted(known, reverse=True)}
    near = difflib.get_close_matches(_fold(name), list(folded), n=1, cutoff=_LIKE)
    return f"Did you mean '{folded[near[0]]}'? " if near else ""


def spelled_alike(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Return the names that differ in nothing but capitals, spaces, dots, hyphens, underscores.

    Example:
        >>> spelled_alike(["new-cam", "stock", "newcam"])
        [('new-cam', 'newcam')]
    """
    alike: dict[str, list[str]] = {}
    for name in sorted(set(names)):
        alike.setdefault(_fold(name), []).append(name)
    return [tuple(group) for group in alike.values() if len(group) > 1]


def _fold(name: str) -> str:
    return "".join(sign for sign in name.casefold() if sign not in " -_.")
