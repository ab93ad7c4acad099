"""Is the warehouse whole: every block readable, every file its own bytes, nothing half-stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from dynostats.errors import DynostatsError
from dynostats.warehouse.archive import exported_tables
from dynostats.warehouse.connection import WarehouseInUseError
from dynostats.warehouse.named import named_query, queries_folder
from dynostats.warehouse.store import no_warehouse, open_store
from dynostats.words import as_paragraphs


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something that is wrong with a warehouse.

    Args:
        check: Name of the check that found it.
        where: The pull, file or table it concerns; the warehouse itself when it is the whole.
        what: What is wrong, in words.
        mend: What helps; "" when the check does not know.
    """

    check: str
    where: str
    what: str
    mend: str

    def to_dict(self) -> dict[str, str]:
        """Return the fault for JSON."""
        return {"check": self.check, "where": self.where, "what": self.what, "mend": self.mend}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What a check of a whole warehouse found.

    Args:
        faults: What is wrong; none when it is sound.
        rows: Number of rows by table, for the tables that could be read.
        checksums: Checksum of the contents by table, whatever the order of the rows. Equal
            contents give equal checksums under the same version of the storage engine.
    """

    faults: tuple[Fault, ...]
    rows: dict[str, int]
    checksums: dict[str, str]

    @property
    def sound(self) -> bool:
        """Return whether nothing is wrong."""
        return not self.faults

    def to_dict(self) -> dict[str, object]:
        """Return the verification for JSON."""
        return {
            "sound": self.sound,
            "faults": [fault.to_dict() for fault in self.faults],
            "rows": self.rows,
            "checksums": self.checksums,
        }

    def _repr_html_(self) -> str:
        rows = ", ".join(f"{count} {table}" for table, count in self.rows.items() if count)
        if self.sound:
            return as_paragraphs([f"The warehouse is whole: {rows}."])
        return as_paragraphs(f"{one.where}: {one.what} {one.mend}" for one in self.faults)


def verify(warehouse: Path) -> Verification:
    """Read everything a warehouse holds, and check that it fits together.

    Every check opens the file anew: after meeting a damaged block the storage engine refuses all
    further work, and one damaged table shall not hide the state of the others.

    Raises:
        WarehouseError: If there is no warehouse, or another program uses it. A damaged one raises
            nothing: that is the answer.
    """
    if not warehouse.exists():
        raise no_warehouse(warehouse)
    faults: list[Fault] = []
    rows: dict[str, int] = {}
    checksums: dict[str, str] = {}
    if _checked(warehouse, "open", "select 1 as one", faults) is None:
        return Verification(faults=tuple(faults), rows=rows, checksums=checksums)
    for table in exported_tables():
        counted = _checked(warehouse, table, _checksum_of(table), faults)
        if counted is not None:
            rows[table], checksums[table] = counted.row(0)
    _checked(warehouse, "unexported tables", "store/unexported", faults)
    for check in _checks():
        found = _checked(warehouse, check, f"verify/{check}", faults)
        for subject, what in found.iter_rows() if found is not None else ():
            faults.append(Fault(check=check, where=subject, what=what, mend=""))
    return Verification(faults=tuple(faults), rows=rows, checksums=checksums)


def _checked(
    warehouse: Path, check: str, question: str, faults: list[Fault]
) -> pl.DataFrame | None:
    """Ask one question of the warehouse; what keeps it from being answered is a fault."""
    try:
        with open_store(warehouse) as store:
            return store.query(question)
    except WarehouseInUseError:
        raise
    except DynostatsError as error:
        faults.append(Fault(check=check, where=str(warehouse), what=error.what, mend=error.mend))
        return None


def _checksum_of(table: str) -> str:
    """Return the statement that reads a whole table and sums the hashes of its rows."""
    exported = named_query(f"export/{table}").sql.rstrip().rstrip(";")
    return f"with exported as (\n{exported}\n)\n\n{named_query('store/checksum').sql}"


def _checks() -> list[str]:
    return sorted(path.stem for path in (queries_folder() / "verify").glob("*.sql"))
