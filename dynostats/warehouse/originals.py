"""Original bytes of files: a table for small batches, and one for each large batch.

As a table grows, the storage engine merges its last rows and packs them anew: original bytes were
packed 1.7 times in an ingest of 5,000 files and once more after it, which was a third of all its
processor time. What is written once, into a table of its own, is packed once.
"""

from __future__ import annotations

import duckdb
import polars as pl

from dynostats.warehouse.connection import rows_of
from dynostats.warehouse.inserting import incoming, insert

# Smaller batches share a table: packing it anew costs little, and a thousand tables would too.
OWN_TABLE_BYTES = 16_000_000
_COLUMNS = "sha256, file, size, stored_at, data"


def insert_sources(connection: duckdb.DuckDBPyConnection, sources: pl.DataFrame) -> None:
    """Insert files, inside the caller's transaction.

    Args:
        connection: The open warehouse.
        sources: One row a file, columns as in the view `sources`.
    """
    if sources.is_empty() or sources["size"].sum() < OWN_TABLE_BYTES:
        insert(connection, "sources", sources)
        return
    tables = [name for name, *_ in rows_of(connection, "store/source_tables")]
    # Names of tables cannot be bound; these are made here and hold nothing of a user's.
    tables.append(f"{tables[0]}_{len(tables)}")
    with incoming(connection, sources):
        connection.execute(f"create table {tables[-1]} as\nselect {_COLUMNS}\nfrom incoming")
    all_of_them = "\nunion all\n".join(f"select {_COLUMNS}\nfrom {name}" for name in tables)
    connection.execute(f"create or replace view sources as\n{all_of_them}")
