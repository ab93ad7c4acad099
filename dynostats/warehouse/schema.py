"""The warehouse's tables: making a new file, and upgrading an older one."""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import tempfile
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import duckdb

from dynostats.errors import WarehouseError
from dynostats.warehouse.connection import connect, errors_in_words, rows_of
from dynostats.warehouse.named import queries_folder
from dynostats.warehouse.wide import KEYS, show


@functools.cache
def program() -> str:
    """Return the name and version that is written beside what this program stores."""
    return f"dynostats {version('dynostats')}"


def utc_now() -> datetime:
    """Return the time now in UTC, without zone, as the warehouse stores it."""
    return datetime.now(UTC).replace(tzinfo=None)


def migrations() -> dict[int, Path]:
    """Return the schema files by the version each of them leads to, in order."""
    files = sorted((queries_folder() / "schema").glob("[0-9][0-9][0-9]_*.sql"))
    return {int(file.name[:3]): file for file in files}


def latest_version() -> int:
    """Return the schema version this program writes."""
    return max(migrations())


def create_warehouse(path: Path) -> None:
    """Make an empty warehouse, whole or not at all.

    The file is built under another name in the same folder and then linked to its own: a crash
    leaves no half-made warehouse, and of two programs that make one at once the first wins.

    Raises:
        WarehouseError: If the folder does not exist or cannot be written.
    """
    if not path.parent.is_dir():
        raise WarehouseError(
            "the folder for the warehouse does not exist", where=str(path), mend="Make it first."
        )
    try:
        with (
            tempfile.TemporaryDirectory(prefix=f".{path.name}-", dir=path.parent) as folder,
            errors_in_words(path),
        ):
            draft = Path(folder) / path.name
            with duckdb.connect(draft) as connection:
                _apply(connection, after=0)
            _publish(draft, path)
    except OSError as error:
        raise WarehouseError(
            f"the warehouse cannot be made here ({error.strerror})",
            where=str(path),
            mend="Check that you may write in the folder and that the disk is not full.",
        ) from error


def require_current(
    connection: duckdb.DuckDBPyConnection, path: Path, *, write: bool
) -> duckdb.DuckDBPyConnection:
    """Return a connection to a warehouse of the version this program knows, upgrading if it may.

    Raises:
        WarehouseError: If the file is no warehouse, is newer than this program, or is older and
            only open for reading.
    """
    stored = _stored_version(connection, path)
    latest = latest_version()
    if stored > latest:
        raise WarehouseError(
            f"the warehouse has layout {stored}; this dynostats knows layouts up to {latest}",
            where=str(path),
            mend="Upgrade dynostats on this computer; the file was not touched.",
        )
    if stored == latest:
        return connection
    if not write:
        raise WarehouseError(
            f"the warehouse has the older layout {stored}; this dynostats reads layout {latest}",
            where=str(path),
            mend="Any command that writes (such as `dynostats ingest`) upgrades it, "
            "after copying the file beside it.",
        )
    connection.close()
    return _upgrade(path, stored)


def _upgrade(path: Path, stored: int) -> duckdb.DuckDBPyConnection:
    connection = connect(path, write=True, wait_s=0)
    try:
        connection.execute("checkpoint")  # everything into the one file before it is copied
        _copy(path, backup_name(path, stored))
        _apply(connection, after=stored)
    except (duckdb.Error, WarehouseError):
        connection.close()
        raise
    return connection


def _copy(path: Path, to: Path) -> None:
    try:
        shutil.copyfile(path, to)
    except OSError as error:
        to.unlink(missing_ok=True)
        raise WarehouseError(
            f"the copy before the upgrade cannot be written ({error.strerror or error}); "
            "nothing was changed",
            where=str(to),
            mend="Free some space in the folder of the warehouse, then try again.",
        ) from error


def backup_name(path: Path, stored: int) -> Path:
    """Return where the automatic copy goes before an upgrade; never an existing file."""
    name = path.with_name(f"{path.stem}.layout{stored}{path.suffix}")
    number = 2
    while name.exists():
        name = path.with_name(f"{path.stem}.layout{stored}-{number}{path.suffix}")
        number += 1
    return name


def _apply(connection: duckdb.DuckDBPyConnection, *, after: int) -> None:
    """Apply every migration past a version in one transaction."""
    connection.execute("begin transaction")
    try:
        for number, file in migrations().items():
            if number > after:
                connection.execute(file.read_text(encoding="utf-8"))
                applied = {"version": number, "at": utc_now(), "by": program()}
                rows_of(connection, "store/note_schema", applied)
        for table in KEYS:
            show(connection, table)
    except duckdb.Error:
        connection.execute("rollback")
        raise
    connection.execute("commit")


def _publish(draft: Path, path: Path) -> None:
    with contextlib.suppress(FileExistsError):  # another program was first: use its file
        try:
            os.link(draft, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without links, such as that of a memory stick
            if not path.exists():
                draft.rename(path)


def _stored_version(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    try:
        stored = rows_of(connection, "store/schema_version")[0][0]
    except duckdb.CatalogException:
        stored = None
    if stored is None:
        raise WarehouseError(
            "this file is a database, but not a dynostats warehouse",
            where=str(path),
            mend="Check the path.",
        )
    return int(stored)
