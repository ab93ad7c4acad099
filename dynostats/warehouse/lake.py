"""A lake: curves and pulls as partitioned Parquet, for archives that no single computer holds.

Below the folder lie `pulls/` and `curves/`, each parted by shop (a key of the warehouse), dyno and
year, written `shop=…/dyno_key=…/year=…/` as SQL engines read it, and `dictionary.csv`, which says
what every column is. A session lies whole in one partition, so that what is summed within sessions
can be added up over partitions. Exports of several warehouses lie in one folder side by side.

The reductions of queries/lake/ read the curves as `lake_curves`. They are written once, for this
storage engine, and put into another dialect by sqlglot where another engine runs them.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Generator
from pathlib import Path

import duckdb
import polars as pl

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse.connection import connect, errors_in_words, give_access, rows_of
from dynostats.warehouse.named import named_query, queries_folder, suggest
from dynostats.warehouse.store import open_store

TABLES = ("pulls", "curves")
DICTIONARY = "dictionary.csv"
PARTED_BY = ("shop", "dyno_key", "year")
# What is written or read for the lake itself; all else in queries/lake/ is a reduction.
_WRITTEN = frozenset({"pulls", "curves", "shop_key"})
_MEMORY = "500MB"


def reductions() -> tuple[str, ...]:
    """Return the names of the reductions, sorted."""
    names = {path.stem for path in (queries_folder() / "lake").glob("*.sql")}
    return tuple(sorted(names - _WRITTEN))


def reduction(name: str) -> str:
    """Return the statement of a reduction.

    Raises:
        InputError: If there is none of that name; names the nearest.
    """
    if name not in reductions():
        raise InputError(
            "there is no reduction of that name",
            where=name,
            mend=suggest(name, reductions(), "reductions"),
        )
    return named_query(f"lake/{name}").sql


def export_lake(warehouse: Path, directory: Path) -> None:
    """Write the pulls and curves of a warehouse into a lake.

    Memory stays bounded: rows go from the one file to the others.

    Args:
        warehouse: The warehouse file.
        directory: The lake: a folder that is new or empty, or holds exports of other warehouses.

    Raises:
        WarehouseError: If the warehouse cannot be read, holds no pull, or the files cannot be
            written.
        InputError: If the folder holds this warehouse already, or anything but a lake.
    """
    open_store(warehouse).close()  # it is there, whole, and of this version
    _require_lake(directory)
    draft = directory.with_name(f".{directory.name}.part")
    try:
        shutil.rmtree(draft, ignore_errors=True)  # what a crash left
        draft.mkdir(parents=True)
        shop = _write(warehouse, draft.resolve())
        _place(draft, directory, shop)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def dictionary(channels: pl.DataFrame) -> pl.DataFrame:
    """Return the data dictionary: table, column, type, unit and meaning, in the columns' order.

    Args:
        channels: One row a channel of the curves: channel, unit.
    """
    rows = [
        (table, column.name, column.type, column.unit, column.meaning)
        for table in TABLES
        for column in named_query(f"lake/{table}").columns
    ]
    for channel, unit in channels.select("channel", "unit").rows():
        rows.append(("curves", channel, "double", unit, "as a function of engine speed"))
    names = ("table", "column", "type", "unit", "meaning")
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")


def reduce_lake(directory: Path, name: str) -> pl.DataFrame:
    """Run a reduction over a lake on this computer.

    Args:
        directory: The lake, or a folder of the same form with part of it.
        name: One of `reductions`.

    Returns:
        What the header of queries/lake/NAME.sql says.

    Raises:
        InputError: If the folder is no lake, or there is no such reduction.
        WarehouseError: If the files cannot be read.
    """
    statement = reduction(name)
    with opened_lake(directory) as connection:
        return pl.DataFrame(connection.sql(statement))


@contextlib.contextmanager
def opened_lake(directory: Path) -> Generator[duckdb.DuckDBPyConnection]:
    """Open a lake for reading: its tables are the views lake_curves and lake_pulls.

    Raises:
        InputError: If the folder is no lake.
        WarehouseError: If the files cannot be read.
    """
    for table in TABLES:
        if not any((directory / table).glob("shop=*/**/*.parquet")):
            raise InputError(
                f"there is no lake here: {table}/ holds nothing",
                where=str(directory),
                mend="`dynostats export DIR --layout lake` writes one.",
            )
    with (
        tempfile.TemporaryDirectory() as spilled,
        _lake_in_words(directory),
        duckdb.connect(config={"memory_limit": _MEMORY, "temp_directory": spilled}) as connection,
    ):
        give_access(connection, directory.resolve())
        for table in TABLES:
            files = str(directory.resolve() / table / "shop=*" / "**" / "*.parquet")
            rows = connection.read_parquet(files, hive_partitioning=True, union_by_name=True)
            rows.create_view(f"lake_{table}")
        yield connection


@contextlib.contextmanager
def _lake_in_words(directory: Path) -> Generator[None]:
    try:
        yield
    except duckdb.Error as error:
        raise WarehouseError(
            f"the lake could not be read: {str(error).strip().splitlines()[0]}",
            where=str(directory),
            mend="Export the warehouses again into a new folder.",
        ) from error


def _require_lake(directory: Path) -> None:
    if not directory.exists() or not any(directory.iterdir()):
        return
    if not (directory / DICTIONARY).is_file():
        raise InputError(
            "the folder is neither empty nor a lake",
            where=str(directory),
            mend="Choose a new or empty one, or one that `export --layout lake` has written.",
        )


def _write(warehouse: Path, draft: Path) -> str:
    """Write both tables and the dictionary into the draft; return the warehouse's key."""
    with (
        errors_in_words(warehouse),
        contextlib.closing(
            connect(warehouse, write=False, wait_s=10.0, writes_into=draft)
        ) as connection,
    ):
        found = rows_of(connection, "lake/shop_key")
        if not found:
            raise WarehouseError(
                "no pull is stored, so there is nothing to put into a lake", where=str(warehouse)
            )
        (shop,) = found[0]
        made = "create temp table lake_pulls as\n" + named_query("lake/pulls").sql
        connection.execute(made, {"shop": shop})
        parts = {"pulls": "from lake_pulls", "curves": named_query("lake/curves").sql}
        for table, statement in parts.items():
            connection.sql(statement).write_parquet(
                str(draft / table), partition_by=list(PARTED_BY), compression="zstd"
            )
            (draft / table).mkdir(exist_ok=True)
        channels = pl.DataFrame(connection.sql(named_query("channels").sql))
        in_curves = channels.filter(
            pl.col("in_channel_table") & (pl.col("channel") != "engine_speed")
        )
    dictionary(in_curves).write_csv(draft / DICTIONARY)
    return shop


def _place(draft: Path, directory: Path, shop: str) -> None:
    """Move what was written to its place: all of it, or nothing."""
    if not directory.exists() or not any(directory.iterdir()):
        if directory.exists():
            directory.rmdir()
        draft.rename(directory)
        return
    moves = [
        (draft / table / f"shop={shop}", directory / table / f"shop={shop}") for table in TABLES
    ]
    present = [str(to) for _, to in moves if to.exists()]
    if present:
        raise InputError(
            "the lake holds an export of this warehouse already",
            where=", ".join(present),
            mend="Remove it there first, then export again.",
        )
    moved: list[tuple[Path, Path]] = []
    try:
        for source, to in moves:
            if source.exists():
                to.parent.mkdir(exist_ok=True)
                source.rename(to)
                moved.append((source, to))
    except OSError:
        for source, to in moved:
            to.rename(source)
        raise
    (draft / DICTIONARY).replace(directory / DICTIONARY)
