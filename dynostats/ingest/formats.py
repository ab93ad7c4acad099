"""Which kind of file the bytes are, told by how they begin."""

from __future__ import annotations

from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.delimited import read_delimited
from dynostats.ingest.table import Table


def read_table(data: bytes, table: ChannelTable, *, name: str) -> Table:
    """Return the table of numbers in a file of any supported kind.

    Args:
        data: The whole file.
        table: Names of channels.
        name: Name of the file, for messages.

    Raises:
        InputError: If the file is of a kind that cannot be read, or holds no table.
    """
    return read_delimited(data, table, name=name)
