"""Corrections of what the paperwork said: the change, and the line of history that keeps it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import datetime

import duckdb
import polars as pl

from dynostats.errors import WarehouseError
from dynostats.warehouse.connection import rows_of
from dynostats.warehouse.inserting import insert
from dynostats.warehouse.schema import program, utc_now
from dynostats.warehouse.writing import take_numbers

REQUIRED_FIELDS = ("engine", "session", "setup")
NUMBER_FIELDS = ("ambient_pressure", "ambient_temperature", "relative_humidity")
LABEL_FIELDS = (*REQUIRED_FIELDS, "dyno", "order", "started", *NUMBER_FIELDS, "notes")
# What follows from the file, or is changed in another way.
_FIXED_FIELDS = frozenset(
    {"pull", "file", "sha256", "part", "state", "why", "rpm_low", "rpm_high", "importer"}
)
# Air outside these is a slip of the pen or of the unit, not a test cell.
_RANGES = {
    "ambient_pressure": (50.0, 110.0),  # kPa: about 5,500 m up, and the deepest mines
    "ambient_temperature": (-60.0, 80.0),  # degC
    "relative_humidity": (0.0, 100.0),  # %
}
SETUP_FIELDS = ("relative_to", "changed")
STATE_FIELDS = (
    "engine",
    "dyno",
    "session",
    "setup",
    "order",
    "started",
    "state",
    "why",
    *NUMBER_FIELDS,
    "notes",
    "importer",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One line of history.

    Args:
        field: What is corrected.
        old: What stood there; None when nothing did.
        new: What stands there now; None to empty it.
        why: The reason.
        who: Who says so.
        at: When, UTC.
    """

    field: str
    old: str | None
    new: str | None
    why: str
    who: str
    at: datetime = dataclass_field(default_factory=utc_now)


def pull_number(pull: str) -> int:
    """Return the number within a pull's name.

    Raises:
        WarehouseError: If it is not of the form P12.
    """
    digits = pull[1:]
    if pull[:1].upper() != "P" or not digits.isascii() or not digits.isdigit():
        raise WarehouseError(
            "this is not the name of a pull",
            where=pull,
            mend="Pulls are named P1, P2, …; `dynostats pulls` lists them.",
        )
    return int(digits)


def state_of(connection: duckdb.DuckDBPyConnection, pull: str) -> dict[str, str | None]:
    """Return the current labels and state of a pull, as texts.

    Raises:
        WarehouseError: If there is no such pull.
    """
    rows = rows_of(connection, "store/pull_state", {"pull_no": pull_number(pull)})
    if not rows:
        raise WarehouseError(
            "there is no such pull", where=pull, mend="`dynostats pulls` lists what is stored."
        )
    return dict(zip(STATE_FIELDS, rows[0], strict=True))


def set_state(
    connection: duckdb.DuckDBPyConnection, pull: str, state: str, *, why: str, who: str
) -> Correction:
    """Exclude a pull or accept it again.

    Raises:
        WarehouseError: If there is no such pull, no reason, or it is accepted already.
    """
    now = state_of(connection, pull)
    if state == now["state"] == "accepted":
        raise WarehouseError("the pull is accepted already; nothing was changed", where=pull)
    correction = Correction(field="state", old=now["state"], new=state, why=why, who=who)
    kept_reason = why if state == "excluded" else None
    _write(connection, pull, now | {"state": state, "why": kept_reason}, correction)
    return correction


def set_field(
    connection: duckdb.DuckDBPyConnection,
    pull: str,
    field: str,
    value: str,
    *,
    why: str,
    who: str,
) -> Correction:
    """Correct a label or an attribute of a pull; an empty value empties the field.

    `relative_to` and `changed` are said of the pull's setup, so of all its pulls.

    Raises:
        WarehouseError: If there is no such pull, the value does not fit, or nothing would change.
    """
    now = state_of(connection, pull)
    new = _checked(pull, field, value.strip() or None)
    if field in SETUP_FIELDS:
        return _set_setup_field(connection, pull, now, field, new, why=why, who=who)
    if field in LABEL_FIELDS:
        correction = Correction(field=field, old=now[field], new=new, why=why, who=who)
        _refuse_no_change(pull, correction)
        _write(connection, pull, now | {field: new}, correction)
        return correction
    number = pull_number(pull)
    old = _sheet_attribute(connection, number, field)
    correction = Correction(field=field, old=old, new=new, why=why, who=who)
    _refuse_no_change(pull, correction)
    _write_attribute(connection, number, correction)
    note(connection, correction, pull_no=number)
    return correction


def note_reading(connection: duckdb.DuckDBPyConnection, pulls: Sequence[str], *, who: str) -> None:
    """Append to the history that files are read again, and what read them before."""
    for pull in pulls:
        correction = Correction(
            field="importer",
            old=state_of(connection, pull)["importer"],
            new=program(),
            why="the file was read again",
            who=who,
        )
        note(connection, correction, pull_no=pull_number(pull))


def _set_setup_field(
    connection: duckdb.DuckDBPyConnection,
    pull: str,
    now: Mapping[str, str | None],
    field: str,
    new: str | None,
    *,
    why: str,
    who: str,
) -> Correction:
    """Correct what is said of the setup of a pull."""
    engine, setup = now["engine"] or "", now["setup"] or ""
    if field == "relative_to" and new is not None:
        _require_other_setup(connection, engine, setup, new)
    corrections = describe_setup(connection, engine, setup, {field: new}, why=why, who=who)
    if not corrections:
        _refuse_no_change(pull, Correction(field=field, old=new, new=new, why=why, who=who))
    return corrections[0]


def _require_other_setup(
    connection: duckdb.DuckDBPyConnection, engine: str, setup: str, other: str
) -> None:
    if other == setup or not rows_of(connection, "store/setup", {"engine": engine, "setup": other}):
        raise WarehouseError(
            f"'{other}' cannot be what '{setup}' was changed from"
            + ("" if other == setup else f": engine '{engine}' has no such setup"),
            where="relative_to",
            mend="`dynostats query setups` lists the setups of each engine.",
        )


def describe_setup(
    connection: duckdb.DuckDBPyConnection,
    engine: str,
    setup: str,
    changes: Mapping[str, str | None],
    *,
    why: str,
    who: str,
) -> tuple[Correction, ...]:
    """Say what a setup was changed from (`relative_to`) and how (`changed`).

    Raises:
        WarehouseError: If there is no such setup.
    """
    rows = rows_of(connection, "store/setup", {"engine": engine, "setup": setup})
    if not rows:
        raise WarehouseError(
            f"there is no setup {setup} of engine {engine}",
            mend="`dynostats pulls` lists what is stored.",
        )
    now: dict[str, str | None] = dict(zip(SETUP_FIELDS, rows[0], strict=True))
    corrections = tuple(
        Correction(field=field, old=now[field], new=new, why=why, who=who)
        for field, new in changes.items()
        if new != now[field]
    )
    rows_of(
        connection,
        "store/update_setup",
        {"engine": engine, "setup": setup} | now | dict(changes),
    )
    for correction in corrections:
        note(connection, correction, engine=engine, setup=setup)
    return corrections


def note(
    connection: duckdb.DuckDBPyConnection,
    correction: Correction,
    *,
    pull_no: int | None = None,
    engine: str | None = None,
    setup: str | None = None,
) -> None:
    """Append one line to the history."""
    if not correction.why.strip():
        raise WarehouseError(
            "a correction needs a reason", mend='Give it, for example --why "wrong line of sheet".'
        )
    _, number = take_numbers(connection, amendments=1)
    row = {
        "amendment_no": number,
        "pull_no": pull_no,
        "engine": engine,
        "setup": setup,
        "field": correction.field,
        "old_value": correction.old,
        "new_value": correction.new,
        "why": correction.why.strip(),
        "who": correction.who,
        "amended_at": correction.at,
    }
    insert(connection, "amendments", pl.DataFrame([row]))


def _write(
    connection: duckdb.DuckDBPyConnection,
    pull: str,
    state: dict[str, str | None],
    correction: Correction,
) -> None:
    number = pull_number(pull)
    note(connection, correction, pull_no=number)
    current = {field: value for field, value in state.items() if field != "importer"}
    rows_of(connection, "store/update_pull", current | {"pull_no": number})
    labels = pl.DataFrame(
        [
            state
            | {"pull_no": number, "relative_to": None, "changed": None, "stored_at": correction.at}
        ]
    )
    for table in ("engines", "dynos", "sessions", "setups"):
        insert(connection, table, labels)


def _checked(pull: str, field: str, value: str | None) -> str | None:
    """Return the value in the form the warehouse stores, or refuse it."""
    if field in _FIXED_FIELDS:
        raise WarehouseError(
            f"{field} cannot be amended",
            where=pull,
            mend=f"These can: {', '.join(LABEL_FIELDS)}, and attributes of the sheet.",
        )
    if value is None:
        if field in REQUIRED_FIELDS:
            raise WarehouseError(f"{field} cannot be empty", where=pull)
        return None
    try:
        if field == "order":
            return str(int(value))
        if field == "started":
            return datetime.fromisoformat(value).replace(tzinfo=None).isoformat(sep=" ")
        if field in _RANGES:
            low, high = _RANGES[field]
            if not low <= float(value) <= high:  # not true of "nan" either
                raise ValueError(value)  # noqa: TRY301 - one refusal for all that does not fit
            return str(float(value))
    except ValueError as error:
        raise WarehouseError(
            f"'{value}' cannot be a value of {field}", where=pull, mend=_FORMS[field]
        ) from error
    return value


_FORMS = {
    "order": "Give a whole number, for example order=3.",
    "started": "Give date and time, for example started='2025-03-14 16:05'.",
    "ambient_pressure": "Give kPa, 50 to 110, for example ambient_pressure=98.6.",
    "ambient_temperature": "Give degC, -60 to 80, for example ambient_temperature=21.5.",
    "relative_humidity": "Give percent, 0 to 100, for example relative_humidity=45.",
}


def _refuse_no_change(pull: str, correction: Correction) -> None:
    if correction.old == correction.new:
        raise WarehouseError(
            f"{correction.field} is {correction.new or 'empty'} already; nothing was changed",
            where=pull,
        )


def _sheet_attribute(connection: duckdb.DuckDBPyConnection, number: int, name: str) -> str | None:
    rows = rows_of(connection, "store/attributes", {"pull_no": number})
    return next((value for origin, key, value in rows if (origin, key) == ("sheet", name)), None)


def _write_attribute(
    connection: duckdb.DuckDBPyConnection, number: int, correction: Correction
) -> None:
    values = {"pull_no": number, "name": correction.field, "value": correction.new}
    changed = rows_of(connection, "store/update_attribute", values)[0][0]
    if not changed:
        insert(connection, "attributes", pl.DataFrame([values | {"origin": "sheet"}]))
