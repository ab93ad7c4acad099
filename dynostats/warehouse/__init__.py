"""The warehouse: one DuckDB file that keeps every pull, its source and its history.

The only package that imports duckdb; all its SQL lies in queries/.
"""

from __future__ import annotations

from dynostats.warehouse.amending import Correction
from dynostats.warehouse.archive import backup, export, restore
from dynostats.warehouse.connection import WarehouseInUseError
from dynostats.warehouse.events import KINDS, NewEvent
from dynostats.warehouse.integrity import Fault, Verification, verify
from dynostats.warehouse.lake import export_lake
from dynostats.warehouse.named import NamedQuery, named_query, query_names
from dynostats.warehouse.records import (
    Labels,
    LabelValue,
    NewPull,
    Source,
    StoredLabels,
    label_text,
)
from dynostats.warehouse.scanning import ArrowRows, rows_asked, scan
from dynostats.warehouse.store import Store, open_store
from dynostats.warehouse.sums import RowSums

__all__ = [
    "KINDS",
    "ArrowRows",
    "Correction",
    "Fault",
    "LabelValue",
    "Labels",
    "NamedQuery",
    "NewEvent",
    "NewPull",
    "RowSums",
    "Source",
    "Store",
    "StoredLabels",
    "Verification",
    "WarehouseInUseError",
    "backup",
    "export",
    "export_lake",
    "label_text",
    "named_query",
    "open_store",
    "query_names",
    "restore",
    "rows_asked",
    "scan",
    "verify",
]
