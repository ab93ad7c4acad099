"""One function a command: the warehouse as a Python object, its answers as frozen results."""

from __future__ import annotations

from dynostats.api.results import Amended, Family, Finding, PullList, QueryAnswer
from dynostats.api.warehouse import Warehouse, open_warehouse

__all__ = [
    "Amended",
    "Family",
    "Finding",
    "PullList",
    "QueryAnswer",
    "Warehouse",
    "open_warehouse",
]
