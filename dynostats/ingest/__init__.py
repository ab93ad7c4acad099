"""Files to validated frames: dialect, header, units, channels, sheet."""

from __future__ import annotations

from dynostats.ingest.channels import ChannelTable, load_channel_table
from dynostats.ingest.formats import read_table
from dynostats.ingest.log import Ambient, ChannelReading, Finding, Log, Severity, SheetRow
from dynostats.ingest.plain import read_plain
from dynostats.ingest.reader import read_log, understand
from dynostats.ingest.sheet import read_sheet
from dynostats.ingest.table import Table

__all__ = [
    "Ambient",
    "ChannelReading",
    "ChannelTable",
    "Finding",
    "Log",
    "Severity",
    "SheetRow",
    "Table",
    "load_channel_table",
    "read_log",
    "read_plain",
    "read_sheet",
    "read_table",
    "understand",
]
