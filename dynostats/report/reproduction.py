"""A report held against the warehouse: is every number on it still what the pulls say?"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import cast

from dynostats.analysis.question import Question
from dynostats.errors import AnalysisError, InputError
from dynostats.words import as_paragraphs

# Numbers are the same when they agree to so many parts: another processor rounds otherwise.
AGREE = 1e-9
_DATA = re.compile(
    r'<script type="application/json" id="(result|origin)">(.*?)</script>', re.DOTALL
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """What a report says of itself.

    Args:
        question: What it answers.
        result: The finding, as `Comparison.to_dict()` gave it.
        version: Version of dynostats that made it; "" where it does not say.
        as_of: When the warehouse was read, UTC.
        sources: File name and SHA-256 of each pull's file.
    """

    question: Question
    result: Mapping[str, object]
    version: str
    as_of: datetime
    sources: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One value that is not the same.

    Args:
        where: Its place in the finding, for example "overall.effect_pct".
        filed: What the report says.
        now: What the pulls say.
    """

    where: str
    filed: object
    now: object


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduction:
    """Whether a report can be made again.

    Args:
        report: Name of the report's file.
        as_of: When the warehouse was read for it, and as it stood when is asked again.
        made_with: Version of dynostats that made it.
        run_with: Version that ran now.
        numbers: Numbers compared.
        texts: Other values compared: verdicts, names, sentences.
        differences: Every value that is not the same.
        missing: Files behind the report that the warehouse does not hold.
    """

    report: str
    as_of: datetime
    made_with: str
    run_with: str
    numbers: int
    texts: int
    differences: tuple[Difference, ...]
    missing: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Tell whether everything is the same."""
        return not self.differences and not self.missing

    def to_dict(self) -> dict[str, object]:
        """Return it for JSON."""
        found: dict[str, object] = asdict(self)
        return found | {"same": self.same, "as_of": self.as_of.isoformat()}

    def _repr_html_(self) -> str:
        if self.same:
            return as_paragraphs(
                [f"The same: {self.numbers:,} numbers and {self.texts:,} other values."]
            )
        return as_paragraphs(
            [
                *(f"{file}: the warehouse does not hold this file" for file in self.missing),
                *(
                    f"{one.where}: the report says {one.filed}, the pulls say {one.now}"
                    for one in self.differences
                ),
            ]
        )


def read_filed(path: Path) -> Filed:
    """Read the data inside a report.

    Raises:
        InputError: The file cannot be read, or is no report of `compare` with its data inside.
    """
    try:
        page = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            "the report cannot be read", where=str(path), mend="Name a report of `compare`."
        ) from error
    parts = {name: json.loads(text) for name, text in _DATA.findall(page)}
    try:
        origin = parts["origin"]
        asked = dict(parts["result"]["question"])
        low, high = asked.pop("band_rpm")
        return Filed(
            question=Question(**asked, band=(low, high)),
            result=parts["result"],
            version=str(origin["version"]),
            as_of=datetime.fromisoformat(origin.get("as_of") or origin["created"]),
            sources=tuple((str(file), str(sha256)) for file, sha256 in origin["sources"]),
        )
    except (AnalysisError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            "this page holds no finding that could be made again",
            where=str(path),
            mend="Name a report that `compare --report` wrote from a warehouse.",
        ) from error


def hold_against(filed: object, now: object, where: str = "") -> Iterator[Difference]:
    """Yield the values in which two findings differ.

    Args:
        filed: A JSON value.
        now: Another.
        where: Their place.
    """
    match filed, now:
        case dict(), dict():
            left, right = (cast("dict[str, object]", one) for one in (filed, now))
            for name in [*left, *(key for key in right if key not in left)]:
                place = f"{where}.{name}" if where else name
                yield from hold_against(left.get(name), right.get(name), place)
        case list(), list() if len(filed) == len(now):
            for at, (one, other) in enumerate(zip(filed, now, strict=True)):
                yield from hold_against(one, other, f"{where}[{at}]")
        case _:
            if not _alike(filed, now):
                yield Difference(where=where, filed=filed, now=now)


def count_numbers(value: object) -> tuple[int, int]:
    """Return how many numbers and how many other values a JSON value holds."""
    match value:
        case dict():
            parts = [count_numbers(one) for one in cast("dict[str, object]", value).values()]
        case list():
            parts = [count_numbers(one) for one in cast("list[object]", value)]
        case bool() | None:
            return 0, 1
        case int() | float():
            return 1, 0
        case _:
            return 0, 1
    return sum(one for one, _ in parts), sum(other for _, other in parts)


def _alike(filed: object, now: object) -> bool:
    if isinstance(filed, bool) or isinstance(now, bool):
        return filed is now
    if isinstance(filed, int | float) and isinstance(now, int | float):
        return math.isclose(filed, now, rel_tol=AGREE, abs_tol=AGREE)
    return filed == now
