"""Reading stored files again, when the importer or the channel table has become better."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import polars as pl

from dynostats.errors import DynostatsError, InputError
from dynostats.ingest import Ambient, ChannelTable, load_channel_table
from dynostats.intake.report import (
    IngestReport,
    Progress,
    Refused,
    Stored,
    refusal,
    say_nothing,
    stored_entry,
)
from dynostats.intake.steps import read_parts
from dynostats.warehouse import Labels, NewPull, Source, Store, open_store

# Labels stay as they are stored; a pull that is read again needs none.
_UNUSED_LABELS = Labels(engine="", session="", setup="")


def reingest(
    pulls: Sequence[str] | None = None,
    *,
    warehouse: Path,
    who: str,
    channels: Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> IngestReport:
    """Read the stored bytes of pulls again, and keep their names, labels, state and history.

    A file that holds several pulls is read again whole. Ambient readings that were amended since
    are used: gauge pressures become absolute with them.

    Args:
        pulls: Names of the pulls; None for all.
        warehouse: The warehouse file.
        who: Who asked for it; kept in the history.
        channels: A TOML file with more names of channels.
        progress: Told after every file.

    Returns:
        What became of each file; a file that cannot be read now stays as it was.

    Raises:
        WarehouseError: If there is no such pull, or the warehouse cannot be written.
    """
    table = load_channel_table(channels)
    tell = progress or say_nothing
    stored: list[Stored] = []
    refused: list[Refused] = []
    with open_store(warehouse, write=True, create=False) as store:
        files = _files_of(store, pulls)
        for done, (sha256, name) in enumerate(files, start=1):
            try:
                stored += _read_again(store, sha256, table=table, who=who)
            except DynostatsError as error:
                refused.append(refusal(name, error))
            tell(Progress(done=done, total=len(files)))
    return IngestReport(stored=tuple(stored), skipped=(), refused=tuple(refused))


def _files_of(store: Store, pulls: Sequence[str] | None) -> list[tuple[str, str]]:
    sources = store.sources()
    if pulls is not None:
        store.require(pulls)
        sources = sources.filter(pl.col("pulls").list.set_intersection(list(pulls)).list.len() > 0)
    return list(sources.select("sha256", "file").iter_rows())


def _read_again(store: Store, sha256: str, *, table: ChannelTable, who: str) -> list[Stored]:
    before = store.importers(sha256)
    source = Source(file=before["file"][0], sha256=sha256, data=store.source(sha256))
    log, parts = read_parts(source, table=table, ambient=_ambient(before))
    if len(parts) != before.height:
        raise InputError(
            f"the file is read as {len(parts)} pull(s) now and is stored as {before.height}; "
            "nothing was changed",
            where=source.file,
            mend="Ingest it into a new warehouse to see the difference.",
        )
    new = {
        pull: NewPull(
            source=source,
            labels=_UNUSED_LABELS,
            samples=part.samples.frame(),
            curve=None if part.curve is None else part.curve.frame(),
            part=number,
            first_row=part.first_row,
            readings=log.channels,
            metadata=log.metadata,
            findings=part.findings,
            void=part.void,
        )
        for number, (pull, part) in enumerate(zip(before["pull"], parts, strict=True), start=1)
    }
    store.replace_data(new, who=who)
    return [stored_entry(pull, part, file=source.file) for pull, part in new.items()]


def _ambient(before: pl.DataFrame) -> Ambient:
    first = before.row(0, named=True)
    return Ambient(
        pressure_kpa=first["ambient_pressure_kpa"],
        temperature_c=first["ambient_temperature_c"],
        humidity_pct=first["ambient_humidity_pct"],
    )
