"""Copies that outlive the warehouse: a backup file, an export as open files, and the way back."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from collections import Counter
from collections.abc import Generator
from pathlib import Path

import duckdb
import polars as pl

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse.connection import connect, errors_in_words, rows_of
from dynostats.warehouse.dictionary import data_dictionary
from dynostats.warehouse.inserting import insert
from dynostats.warehouse.named import queries_folder
from dynostats.warehouse.originals import insert_sources
from dynostats.warehouse.schema import create_warehouse
from dynostats.warehouse.store import Store, open_store
from dynostats.warehouse.wide import KEYS, channels_of, make_room
from dynostats.warehouse.writing import take_numbers

# Also written as CSV, for those who open them in a spreadsheet.
_ALSO_CSV = frozenset({"pulls", "amendments", "channels"})
# The channel table comes with the schema; all else is put back from the export.
_NOT_RESTORED = frozenset({"channels", "sources"})
# What an export of an older layout does not hold yet.
_ADDED_LATER = frozenset({"cell_events", "declarations", "declared_pulls", "looks"})
_ROWS_AT_ONCE = 500_000
_SOURCES_AT_ONCE = 500


def backup(warehouse: Path, to: Path) -> None:
    """Copy a warehouse to another file, consistently and whole.

    While the copy is made nobody can write, since the warehouse is open for reading.

    Raises:
        WarehouseError: If the warehouse cannot be read, or the copy cannot be written.
        InputError: If a file of that name exists.
    """
    if to.exists():
        raise InputError(
            "there is a file of this name already", where=str(to), mend="Choose another name."
        )
    draft = to.with_name(f".{to.name}.part")
    with open_store(warehouse), _files_in_words(to):
        try:
            _copy_with_log(warehouse, draft)
            # What a crash left in the log of the warehouse goes into the one file of the copy.
            with contextlib.closing(connect(draft, write=True, wait_s=0)) as copy:
                copy.execute("checkpoint")
            draft.replace(to)
        finally:
            draft.unlink(missing_ok=True)
            _log_of(draft).unlink(missing_ok=True)


def export(warehouse: Path, directory: Path) -> tuple[Path, ...]:
    """Write everything as open files: tables as Parquet, the sources as their own bytes.

    Args:
        warehouse: The warehouse file.
        directory: A folder; made when there is none, else it must be empty.

    Returns:
        The files written, without the sources.

    Raises:
        WarehouseError: If the warehouse cannot be read, or the files cannot be written.
        InputError: If the folder holds anything.
    """
    with open_store(warehouse) as store, _files_in_words(directory):
        if directory.exists() and any(directory.iterdir()):
            raise InputError(
                "the folder is not empty", where=str(directory), mend="Choose a new or empty one."
            )
        draft = directory.with_name(f".{directory.name}.part")
        try:
            (draft / "sources").mkdir(parents=True)
            written = [_export_table(store, name, draft) for name in exported_tables()]
            written += _export_dictionary(store, draft)
            _export_sources(store, draft / "sources")
            if directory.exists():
                directory.rmdir()  # it is empty; a folder cannot be replaced everywhere
            draft.rename(directory)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
        return tuple(directory / path.name for path in written)


def restore(directory: Path, warehouse: Path) -> None:
    """Make a warehouse of an export: every pull, sample, source and amendment as it was.

    Args:
        directory: What `export` wrote.
        warehouse: The file to make; it must not exist.

    Raises:
        InputError: If the file exists, or the folder is not a whole export.
        WarehouseError: If the warehouse cannot be written.
    """
    if warehouse.exists():
        raise InputError(
            "there is a file of this name already", where=str(warehouse), mend="Choose another."
        )
    absent = [n for n in exported_tables() if not (directory / f"{n}.parquet").is_file()]
    missing = [name for name in absent if name not in _ADDED_LATER]
    if missing:
        raise InputError(
            f"this is not a whole export: {', '.join(missing)} is missing", where=str(directory)
        )
    draft = warehouse.with_name(f".{warehouse.name}.part")
    with _files_in_words(warehouse), errors_in_words(warehouse):
        try:
            create_warehouse(draft)
            with contextlib.closing(connect(draft, write=True, wait_s=0)) as connection:
                connection.execute("begin transaction")
                for name in exported_tables():
                    if name not in _NOT_RESTORED and name not in absent:
                        _restore_table(connection, name, directory)
                _restore_sources(connection, directory)
                _restore_counters(connection, directory)
                connection.execute("commit")
                connection.execute("checkpoint")
            draft.replace(warehouse)
        finally:
            draft.unlink(missing_ok=True)
            _log_of(draft).unlink(missing_ok=True)


def exported_tables() -> tuple[str, ...]:
    """Return the names of the tables that an export holds."""
    return tuple(sorted(path.stem for path in (queries_folder() / "export").glob("*.sql")))


def _copy_with_log(warehouse: Path, draft: Path) -> None:
    shutil.copyfile(warehouse, draft)
    if _log_of(warehouse).exists():
        shutil.copyfile(_log_of(warehouse), _log_of(draft))


def _log_of(warehouse: Path) -> Path:
    """Return where the storage engine keeps what is committed but not yet in the file."""
    return warehouse.with_name(f"{warehouse.name}.wal")


def _export_table(store: Store, name: str, directory: Path) -> Path:
    out = directory / f"{name}.parquet"
    store.query_to(out, f"export/{name}")
    if name in _ALSO_CSV:
        store.query_to(directory / f"{name}.csv", f"export/{name}")
    return out


def _export_dictionary(store: Store, directory: Path) -> list[Path]:
    """Write what every column of the export is, for programs and for people."""
    rows = data_dictionary(store, exported_tables())
    out, readable = directory / "dictionary.parquet", directory / "dictionary.csv"
    rows.write_parquet(out)
    rows.write_csv(readable)
    return [out, readable]


def _export_sources(store: Store, folder: Path) -> None:
    for sha256, name in _source_names(store.query("export/sources")).items():
        (folder / name).write_bytes(store.source(sha256))


def _source_names(sources: pl.DataFrame) -> dict[str, str]:
    """Return a file name for every source: its own, with part of its hash where two share it."""
    files = {sha256: Path(file).name for sha256, file in sources.select("sha256", "file").rows()}
    uses = Counter(name.casefold() for name in files.values())
    return {
        sha256: name
        if uses[name.casefold()] == 1
        else f"{Path(name).stem}.{sha256[:16]}{Path(name).suffix}"
        for sha256, name in files.items()
    }


def _restore_table(connection: duckdb.DuckDBPyConnection, name: str, directory: Path) -> None:
    stored_names = {"order": "run_order", "first_seen": "stored_at"}
    rows = pl.scan_parquet(directory / f"{name}.parquet").rename(stored_names, strict=False)
    for batch in rows.collect_batches(chunk_size=_ROWS_AT_ONCE, maintain_order=True):
        frame = batch
        if "pull" in frame.columns:
            number = pl.col("pull").str.slice(1).cast(pl.Int32).alias("pull_no")
            frame = frame.with_columns(number).drop("pull")
        if name == "setups":  # written as if the first pull of each had said it
            frame = frame.with_columns(pl.lit(0).alias("pull_no"))
        if name in KEYS:
            channels = [c for c in channels_of(connection)[name] if frame[c].count()]
            make_room(connection, name, channels)
            frame = frame.select(*KEYS[name], *channels)
        insert(connection, name, frame)


def _restore_sources(connection: duckdb.DuckDBPyConnection, directory: Path) -> None:
    sources = pl.read_parquet(directory / "sources.parquet")
    names = _source_names(sources)
    for part in sources.iter_slices(_SOURCES_AT_ONCE):
        data = [_source_bytes(directory / "sources" / names[key], key) for key in part["sha256"]]
        insert_sources(connection, part.with_columns(pl.Series("data", data, dtype=pl.Binary)))


def _restore_counters(connection: duckdb.DuckDBPyConnection, directory: Path) -> None:
    pulls = pl.read_parquet(directory / "pulls.parquet", columns=["pull"])
    amendments = pl.read_parquet(directory / "amendments.parquet", columns=["amendment_no"])
    last_pull = max((int(name[1:]) for name in pulls["pull"].to_list()), default=0)
    last_amendment = max(amendments["amendment_no"].to_list(), default=0)
    take_numbers(connection, pulls=last_pull, amendments=last_amendment)
    rows_of(connection, "store/note_judged", {"pull_no": last_pull})
    restored = rows_of(connection, "export/cell_events")
    events = max((number for number, *_ in restored), default=0)
    rows_of(connection, "store/take_event_numbers", {"events": events})


def _source_bytes(path: Path, sha256: str) -> bytes:
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != sha256:
        raise InputError("the file is not what was exported: its SHA-256 differs", where=str(path))
    return data


@contextlib.contextmanager
def _files_in_words(where: Path) -> Generator[None]:
    """Turn what the file system refuses inside the block into an error a user understands."""
    try:
        yield
    except OSError as error:
        raise WarehouseError(
            f"it could not be written or read ({error.strerror or error})",
            where=str(error.filename or where),
            mend="Check that the folder exists, that you may write in it, and that it has space.",
        ) from error
