"""Files to validated frames: dialect, header, units, channels, sheet."""

from __future__ import annotations

from dynostats.ingest.channels import ChannelTable, load_channel_table
from dynostats.ingest.log import Ambient, ChannelReading, Finding, Log, Severity, SheetRow
from dynostats.ingest.reader import read_log
from dynostats.ingest.sheet import read_sheet

__all__ = [
    "Ambient",
    "ChannelReading",
    "ChannelTable",
    "Finding",
    "Log",
    "Severity",
    "SheetRow",
    "load_channel_table",
    "read_log",
    "read_sheet",
]
