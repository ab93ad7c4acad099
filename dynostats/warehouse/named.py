"""Named queries: the SQL files of queries/ with what their headers promise."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

from dynostats.errors import InputError
from dynostats.words import did_you_mean

_PARAMETER = re.compile(
    r"(?P<name>\w+) (?P<type>\w+(?:\[\])?)(?: = (?P<default>[^:]*?))?(?: : (?P<meaning>.*))?"
)
_COLUMN = re.compile(
    r"(?P<name>\w+) (?P<type>\w+(?:\[\])?)(?: \[(?P<unit>[^\]]+)\])?(?: : (?P<meaning>.*))?"
)
_HEADER = re.compile(r"--\s*(?P<key>question|grain|key|parameter|column): (?P<value>.+)")
_BOOLEANS = {"true": True, "yes": True, "false": False, "no": False}

Scalar = str | float | bool | datetime
Value = Scalar | Sequence[str] | Sequence[float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One parameter of a named query.

    Args:
        name: Its name, written $name in the SQL.
        type: SQL type: varchar, double, integer, boolean, timestamp, or a list of one (varchar[]).
        default: Value used when none is given; meaningless when required.
        required: Whether a value must be given.
        meaning: What it chooses, in words.
    """

    name: str
    type: str
    default: Value
    required: bool
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a named query's result."""

    name: str
    type: str
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedQuery:
    """A SQL file of queries/ and what its header promises.

    Args:
        name: File name without ".sql", with its folder when it lies in one ("verify/orphans").
        question: The question it answers, in words.
        grain: What one row of the result is.
        key: The columns that tell one row from another; () where the header names none.
        parameters: In the order of the header.
        columns: In the order of the result.
        sql: The statement.
    """

    name: str
    question: str
    grain: str
    key: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    columns: tuple[Column, ...]
    sql: str

    def bind(self, given: Mapping[str, Value]) -> dict[str, Value]:
        """Return a value for every parameter, converted to the type the header states.

        Raises:
            InputError: If a parameter is unknown, missing, or not of its type.
        """
        known = {parameter.name: parameter for parameter in self.parameters}
        for name in given:
            if name not in known:
                raise InputError(
                    f"the query has no parameter {name}",
                    where=f"query {self.name}",
                    mend=suggest(name, known, "parameters"),
                )
        return {name: self._value(parameter, given) for name, parameter in known.items()}

    def _value(self, parameter: Parameter, given: Mapping[str, Value]) -> Value:
        if parameter.name in given:
            return _convert(given[parameter.name], parameter, query=self.name)
        if parameter.required:
            raise InputError(
                f"the query needs a value for {parameter.name} ({parameter.meaning})",
                where=f"query {self.name}",
                mend=f"Give it with --param {parameter.name}=VALUE.",
            )
        return parameter.default


def queries_folder() -> Path:
    """Return the one folder the SQL lies in: in the wheel, or at the top of a checkout."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "queries"
    return installed if installed.is_dir() else package.parent / "queries"


def query_names() -> tuple[str, ...]:
    """Return the names of all questions that can be asked by name, sorted."""
    return tuple(sorted(path.stem for path in queries_folder().glob("*.sql")))


@cache
def named_query(name: str) -> NamedQuery:
    """Return the named query with its parsed header.

    Raises:
        InputError: If there is none of that name; names the nearest.
    """
    path = queries_folder() / f"{name}.sql"
    if not re.fullmatch(r"(\w+/)?\w+", name) or not path.is_file():
        raise InputError(
            "there is no query of that name",
            where=f"query {name}",
            mend=suggest(name, query_names(), "queries"),
        )
    return parse_query(name, path.read_text(encoding="utf-8"))


def parse_query(name: str, sql: str) -> NamedQuery:
    """Read the header comment of one SQL text.

    Raises:
        ValueError: If the header lacks its question or grain, or a line of it cannot be read.
    """
    lines = [match for line in sql.splitlines() if (match := _HEADER.fullmatch(line.strip()))]
    facts: defaultdict[str, list[str]] = defaultdict(list)
    for match in lines:
        facts[match["key"]].append(match["value"].strip())
    if not facts["question"] or not facts["grain"]:
        msg = f"queries/{name}.sql: the header lacks its question or its grain"
        raise ValueError(msg)
    return NamedQuery(
        name=name,
        question=" ".join(facts["question"]),
        grain=" ".join(facts["grain"]),
        key=tuple(name.strip() for text in facts["key"] for name in text.split(",")),
        parameters=tuple(_parameter(text, name) for text in facts["parameter"]),
        columns=tuple(_column(text, name) for text in facts["column"]),
        sql=sql,
    )


def _parameter(text: str, query: str) -> Parameter:
    match = _PARAMETER.fullmatch(text)
    if match is None:
        msg = f"queries/{query}.sql: cannot read the parameter line '{text}'"
        raise ValueError(msg)
    bare = Parameter(
        name=match["name"],
        type=match["type"],
        default=None,
        required=match["default"] is None,
        meaning=match["meaning"] or "",
    )
    if bare.required or match["default"] == "null":
        return bare
    default = _convert(match["default"], bare, query=query)
    return Parameter(
        name=bare.name, type=bare.type, default=default, required=False, meaning=bare.meaning
    )


def _column(text: str, query: str) -> Column:
    match = _COLUMN.fullmatch(text)
    if match is None:
        msg = f"queries/{query}.sql: cannot read the column line '{text}'"
        raise ValueError(msg)
    return Column(
        name=match["name"],
        type=match["type"],
        unit=match["unit"] or "",
        meaning=match["meaning"] or "",
    )


def _convert(value: Value, parameter: Parameter, *, query: str) -> Value:
    """Turn a text from the command line into the parameter's type; leave other values alone."""
    if not isinstance(value, str):
        return value
    try:
        if parameter.type.endswith("[]"):
            parts = [part.strip() for part in value.split(",") if part.strip()]
            return [float(part) for part in parts] if parameter.type == "double[]" else parts
        return _scalar(value, parameter.type)
    except ValueError as error:
        raise InputError(
            f"{parameter.name} is '{value}'; it must be of type {parameter.type}",
            where=f"query {query}",
            mend=f"Give it with --param {parameter.name}=VALUE.",
        ) from error


def _scalar(value: str, kind: str) -> Scalar:
    if kind in {"double", "integer"}:
        return float(value) if kind == "double" else int(value)
    if kind == "boolean":
        if value.lower() not in _BOOLEANS:
            raise ValueError(value)
        return _BOOLEANS[value.lower()]
    return datetime.fromisoformat(value) if kind == "timestamp" else value


def suggest(name: str, known: Mapping[str, object] | tuple[str, ...], kind: str) -> str:
    """Return a sentence with the nearest of the known names, and all of them."""
    names = list(known)
    return f"{did_you_mean(name, names)}Known {kind}: {', '.join(names) or 'none'}."
