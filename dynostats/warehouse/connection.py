"""Opening the warehouse file: settings, waiting for its lock, and errors in words."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Mapping
from pathlib import Path
from typing import Any

import duckdb

from dynostats.errors import WarehouseError
from dynostats.warehouse.named import Value, named_query

# Nothing that runs on the warehouse's connection may touch another file, load code, see the
# variables of the program, or undo these settings.
_LOCKING = {"enable_external_access": False, "lock_configuration": True}
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "python_enable_replacements": False,
    **_LOCKING,
}
# Writing needs no more: the time goes into reading the files. Without a limit the storage engine
# would keep all it has written in memory, up to most of what the computer has.
_WRITING = {"memory_limit": "256MB", "threads": 2}
# Reading does not depend on how much memory there is: what does not fit goes to disk, beside the
# warehouse, and no analysis of 100,000 pulls needs more (tests/benchmarks/bench_scale.py).
_READING = {"memory_limit": "500MB"}
_RETRY_S = 0.1


class WarehouseInUseError(WarehouseError):
    """Another program holds the warehouse file."""


def say_on_stderr(message: str) -> None:
    """Print one line to standard error."""
    print(message, file=sys.stderr, flush=True)  # noqa: T201 - the one place that must speak up


def connect(
    path: Path,
    *,
    write: bool,
    wait_s: float,
    say: Callable[[str], None] = say_on_stderr,
    writes_into: Path | None = None,
) -> duckdb.DuckDBPyConnection:
    """Open an existing warehouse file, waiting while another program holds it.

    Args:
        path: The warehouse file; must exist.
        write: Open for writing (one program at a time) instead of reading.
        wait_s: How long to wait for another program to let go of it, in seconds.
        say: Told once, in a sentence, when waiting begins.
        writes_into: A folder that files may be written into; None for none.

    Raises:
        WarehouseError: If the file cannot be opened; says why.
    """
    settings = _SETTINGS | (_WRITING if write or writes_into is not None else _READING)
    if not os.access(path.absolute().parent, os.W_OK):  # a medium that can only be read
        with contextlib.suppress(FileNotFoundError):  # none either: what fits in memory is answered
            settings |= {"temp_directory": tempfile.gettempdir()}
    if writes_into is not None:
        settings = {name: settings[name] for name in settings.keys() - _LOCKING.keys()}
    deadline = time.monotonic() + wait_s
    waiting = False
    while True:
        try:
            connection = duckdb.connect(path, read_only=not write, config=settings)
        except duckdb.Error as error:
            if not _is_locked(error) or time.monotonic() >= deadline:
                raise in_words(error, path, waited_s=wait_s) from error
        else:
            if writes_into is not None:
                give_access(connection, writes_into)
            return connection
        if not waiting:
            say(f"{path}: in use by another program; waiting up to {wait_s:g} s for it to finish.")
            waiting = True
        time.sleep(_RETRY_S)


def give_access(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Let a connection that is not locked yet use the files of one folder, and lock it."""
    connection.execute("set allowed_directories = $folders", {"folders": [str(folder)]})
    for name, value in _LOCKING.items():
        connection.execute(f"set {name} = {str(value).lower()}")


def rows_of(
    connection: duckdb.DuckDBPyConnection, query: str, values: Mapping[str, Value] | None = None
) -> list[tuple[Any, ...]]:
    """Run a named statement and return all its rows; an unfetched result would block the next."""
    return connection.execute(named_query(query).sql, dict(values or {})).fetchall()


@contextlib.contextmanager
def errors_in_words(path: Path) -> Generator[None]:
    """Turn whatever the storage engine raises inside the block into a WarehouseError."""
    try:
        yield
    except duckdb.Error as error:
        raise in_words(error, path) from error


def in_words(error: duckdb.Error, path: Path, *, waited_s: float = 0.0) -> WarehouseError:
    """Return the storage engine's error as what a user can understand and mend."""
    if _is_locked(error):
        return WarehouseInUseError(
            f"another program is using the warehouse; waited {waited_s:g} s",
            where=str(path),
            mend="Try again when it has finished; nothing was changed.",
        )
    text = str(error)
    for pattern, what, mend in _KNOWN_ERRORS:
        if re.search(pattern, text):
            return WarehouseError(what, where=str(path), mend=mend)
    return WarehouseError(
        f"the warehouse could not be read or written: {_first_line(text)}",
        where=str(path),
        mend="Run `dynostats verify`; if it finds damage, go back to a backup.",
    )


_BACK_TO_BACKUP = "Go back to a backup, and ingest again what came after it."

# The storage engine's own words, what they mean here, and what helps.
_KNOWN_ERRORS = (
    (
        "different configuration than existing",
        "the warehouse is already open in this program, for the other of reading and writing",
        "Close it there first.",
    ),
    (
        "No space left|Disk quota exceeded",
        "the disk is full; what was being written is not stored, everything before it is kept",
        "Free some space, then run the same command again: it goes on where it stopped.",
    ),
    (
        "Could not read enough bytes|reached the end of the file",
        "the warehouse file is damaged: it is shorter than it was",
        _BACK_TO_BACKUP,
    ),
    (
        "Corrupt database file|does not match stored checksum",
        "the warehouse file is damaged: part of it is not what was written",
        _BACK_TO_BACKUP,
    ),
    (
        "not a valid DuckDB database file",
        "this file is not a warehouse, or its beginning is damaged",
        "Check the path. If it was a warehouse, go back to a backup.",
    ),
    (
        "(?i)newer version|version number .* but we can only read",
        "the warehouse was written by a newer version of the storage engine",
        "Upgrade dynostats on this computer.",
    ),
    (
        "Failed to create directory",
        "this needs more memory than is set aside, and there is no folder to write the rest into",
        "Set TMPDIR to a folder you may write in, or ask for less at once.",
    ),
    (
        "No such file or directory|Permission denied|Is a directory|Read-only file system",
        "the warehouse cannot be opened here",
        "Check that it is a file in a folder you may write in.",
    ),
)


def _is_locked(error: duckdb.Error) -> bool:
    return "Could not set lock" in str(error)


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0] if text.strip() else "no reason given"
