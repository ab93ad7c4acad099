"""The warehouse: one DuckDB file that keeps every pull, its source and its history.

The only package that imports duckdb; all its SQL lies in queries/.
"""

from __future__ import annotations

from dynostats.warehouse.amending import Correction
from dynostats.warehouse.named import NamedQuery, named_query, query_names
from dynostats.warehouse.records import Labels, NewPull, Source
from dynostats.warehouse.store import Store, open_store

__all__ = [
    "Correction",
    "Labels",
    "NamedQuery",
    "NewPull",
    "Source",
    "Store",
    "named_query",
    "open_store",
    "query_names",
]
