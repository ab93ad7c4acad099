"""Which kind of file the bytes are, told by how they begin."""

from __future__ import annotations

from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.delimited import read_delimited
from dynostats.ingest.table import Table

# Bytes that begin files which are no logs but may hold one; what to do about them.
_OTHER_KINDS = (
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet (XLS)", "Save it as XLSX or CSV."),
    (b"\x1f\x8b", "compressed (gzip)", "Unpack it first."),
    (b"7z\xbc\xaf", "compressed (7z)", "Unpack it first."),
    (b"Rar!", "compressed (RAR)", "Unpack it first."),
    (b"%PDF", "a PDF", "Export the log as CSV, XLSX, Parquet or MDF 4."),
)


def read_table(data: bytes, table: ChannelTable, *, name: str) -> Table:
    """Return the table of numbers in a file of any supported kind.

    Args:
        data: The whole file.
        table: Names of channels.
        name: Name of the file, for messages.

    Raises:
        InputError: If the file is of a kind that cannot be read, or holds no table.
    """
    # The readers of rarer kinds bring large libraries; most ingests never need them.
    if data.startswith(b"PK\x03\x04"):
        from dynostats.ingest.spreadsheet import read_spreadsheet  # noqa: PLC0415

        return read_spreadsheet(data, table, name=name)
    if data.startswith(b"PAR1"):
        from dynostats.ingest.parquet import read_parquet  # noqa: PLC0415

        return read_parquet(data, name=name)
    if data.startswith((b"MDF ", b"UnFinMF ")):
        from dynostats.ingest.measurement import read_measurement  # noqa: PLC0415

        return read_measurement(data, table, name=name)
    for start, kind, mend in _OTHER_KINDS:
        if data.startswith(start):
            raise InputError(f"Nothing ingested: the file is {kind}.", where=name, mend=mend)
    return read_delimited(data, table, name=name)
