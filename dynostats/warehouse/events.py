"""What was done to the cells: an append-only log of calibrations, services and repairs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import duckdb
import polars as pl

from dynostats.errors import WarehouseError
from dynostats.warehouse.connection import rows_of
from dynostats.warehouse.inserting import insert
from dynostats.warehouse.schema import utc_now

KINDS = ("calibration", "service", "repair", "other")
_WITHDRAWAL = "withdrawal"
_COLUMNS = {
    "event_no": pl.Int32,
    "dyno": pl.String,
    "kind": pl.String,
    "happened_at": pl.Datetime("us"),
    "what": pl.String,
    "who": pl.String,
    "noted_at": pl.Datetime("us"),
    "withdraws": pl.Int32,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEvent:
    """Something done to a cell.

    Args:
        dyno: The dyno; None where the paperwork names none.
        kind: One of `KINDS`.
        happened_at: When, local time of the shop, without zone.
        what: What was done.
        who: Who says so.
    """

    dyno: str | None
    kind: str
    happened_at: datetime
    what: str
    who: str


def write_event(connection: duckdb.DuckDBPyConnection, event: NewEvent) -> str:
    """Append an event, inside the caller's transaction, and return its name.

    Raises:
        WarehouseError: If the kind is none of `KINDS`, or it does not say what was done.
    """
    if event.kind not in KINDS:
        raise WarehouseError(
            f"'{event.kind}' is no kind of event",
            where="event",
            mend=f"Kinds: {', '.join(KINDS)}.",
        )
    if not event.what.strip():
        raise WarehouseError(
            "an event must say what was done",
            where="event",
            mend='For example "load cell checked with dead weights".',
        )
    return _write(connection, event, withdraws=None)


def withdraw_event(connection: duckdb.DuckDBPyConnection, name: str, *, why: str, who: str) -> str:
    """Take an event back by another one, and return the name of the event taken back.

    Raises:
        WarehouseError: If there is no such event, it is taken back already, or no reason is given.
    """
    number = _number_of(name)
    rows = rows_of(connection, "events", {"dyno": None, "as_of": None})
    found = [row for row in rows if row[0] == f"E{number}"]
    if not found:
        raise WarehouseError(
            "there is no such event", where=name, mend="`dynostats event list` lists them."
        )
    event, dyno, *_, withdrawn = found[0]
    if withdrawn is not None:
        raise WarehouseError(f"it was taken back already: {withdrawn}", where=event)
    if not why.strip():
        raise WarehouseError("a reason is needed", where=event, mend="Give it with --why.")
    now = utc_now()
    back = NewEvent(dyno=dyno, kind=_WITHDRAWAL, happened_at=now, what=why, who=who)
    _write(connection, back, withdraws=number)
    return event


def _write(connection: duckdb.DuckDBPyConnection, event: NewEvent, *, withdraws: int | None) -> str:
    number = int(rows_of(connection, "store/take_event_numbers", {"events": 1})[0][0])
    row = (
        *(number, event.dyno, event.kind, event.happened_at.replace(tzinfo=None)),
        *(event.what.strip(), event.who, utc_now(), withdraws),
    )
    insert(connection, "cell_events", pl.DataFrame([row], schema=_COLUMNS, orient="row"))
    return f"E{number}"


def _number_of(name: str) -> int:
    digits = name[1:]
    if name[:1].upper() != "E" or not digits.isascii() or not digits.isdigit():
        raise WarehouseError(
            "this is not the name of an event",
            where=name,
            mend="Events are named E1, E2, …; `dynostats event list` lists them.",
        )
    return int(digits)
