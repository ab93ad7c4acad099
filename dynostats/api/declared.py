"""Questions declared before their pulls: stored, read back, and held against a comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.planning.declaration import Declaration, Declared, Look
from dynostats.analysis.planning.departures import find_departures, say_corrections
from dynostats.analysis.planning.run_sheet import PlannedPull
from dynostats.errors import InputError
from dynostats.warehouse import Store
from dynostats.warehouse.named import Value


def read_declaration(store: Store, number: int | None = None) -> Declaration:
    """Return a declared question, the last one unless numbered.

    Raises:
        InputError: If there is none.
    """
    rows = store.declarations(number)
    if rows.is_empty():
        which = "no question was declared" if number is None else f"there is no question {number}"
        raise InputError(
            which,
            where=str(store.path),
            mend="`dynostats plan --effect PCT … --declare` declares one; "
            "`dynostats query declared` lists them.",
        )
    return _declaration(store, rows.row(-1, named=True))


def _declaration(store: Store, row: Mapping[str, object]) -> Declaration:
    given = dict(row)
    number, low, high = (given.pop(key) for key in ("declaration_no", "band_low", "band_high"))
    sheet = store.declared_pulls(int(str(number))).drop("place").rename({"run_order": "order"})
    return Declaration(
        number=int(str(number)),
        band=(low, high) if isinstance(low, float) and isinstance(high, float) else None,
        rows=tuple(PlannedPull(**pull) for pull in sheet.iter_rows(named=True)),
        **given,  # pyright: ignore[reportArgumentType] - the columns are the fields
    )


def read_looks(store: Store, number: int) -> tuple[Look, ...]:
    """Return the looks taken at a declared study, oldest first."""
    rows = store.looks(number).drop("declaration_no").rename({"look": "number"})
    return tuple(Look(**row) for row in rows.iter_rows(named=True))


def store_declaration(store: Store, declared: Declaration) -> int:
    """Store a question with its run sheet; return its number."""
    question: dict[str, Value] = {
        key: value
        for key, value in asdict(declared).items()
        if key not in {"number", "band", "rows", "declared_at"}
    }
    low, high = declared.band or (None, None)
    question |= {"band_low": low, "band_high": high}
    rows: list[Mapping[str, Value]] = [
        {
            "place": place,
            "session": row.session,
            "role": row.role,
            "setup": row.setup,
            "run_order": row.order,
            "file": row.file,
            "note": row.note,
        }
        for place, row in enumerate(declared.rows, start=1)
    ]
    return store.declare(question, rows)


def store_look(store: Store, number: int, look: Look) -> None:
    """Store a look at a declared study."""
    row: dict[str, Value] = asdict(look)
    row["look"] = row.pop("number")
    store.note_look(number, row)


def hold_against_declared(store: Store, found: Comparison) -> Comparison:
    """Return a comparison with the question that was declared for it, if one was."""
    mine = store.declarations().filter(
        engine=found.engine, baseline=found.baseline, candidate=found.candidate
    )
    if mine.is_empty():
        return found
    declared = _declaration(store, mine.row(-1, named=True))
    departures = find_departures(
        found,
        declared,
        store.pulls().select("pull", "stored_at"),
        declared_again=mine.height - 1,
    )
    looks = read_looks(store, declared.number)
    names = found.pull_table["pull"].to_list()
    return replace(
        found,
        declared=Declared(
            declaration=declared,
            departures=(*departures, *say_corrections(store.amendments(), names, looks)),
            looks=looks,
        ),
    )
