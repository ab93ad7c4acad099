"""The ingest itself: file after file into batches, batch after batch into the warehouse."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from dynostats.errors import DynostatsError
from dynostats.ingest import ChannelTable, load_channel_table
from dynostats.intake.files import Found, FoundFile, find_files
from dynostats.intake.known import why_skipped
from dynostats.intake.paperwork import Paperwork
from dynostats.intake.pulls import read_pulls, source_of
from dynostats.intake.report import (
    IngestReport,
    Progress,
    Refused,
    Skipped,
    Stored,
    refusal,
    say_nothing,
    stored_entry,
)
from dynostats.warehouse import NewPull, Source, Store, StoredLabels, open_store

# A batch is one transaction. Fewer, larger ones are faster (a transaction a file costs 6 times the
# reading, one for 1,000 files a sixth of it); memory bounds them.
BATCH_FILES = 1000
BATCH_BYTES = 100_000_000


def ingest(
    paths: Sequence[Path],
    *,
    warehouse: Path,
    sheet: Path | None = None,
    channels: Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> IngestReport:
    """Read files into the warehouse; safe to repeat.

    A bad file never stops the others. A pull counts as stored only when its batch is committed.

    Args:
        paths: Files, or folders of them.
        warehouse: The warehouse file; made when there is none.
        sheet: The sheet with the labels; None to take sheet.csv or sheet.xlsx beside the files.
        channels: A TOML file with more names of channels.
        progress: Told after every file and every commit.

    Returns:
        What became of each file.

    Raises:
        InputError: If a path, the sheet or the channel table cannot be read.
        WarehouseError: If the warehouse cannot be written; what was committed before is kept.
    """
    not_logs = [warehouse, *([sheet] if sheet else []), *([channels] if channels else [])]
    found = find_files(paths, not_logs=not_logs)
    paperwork = Paperwork(found.logs, sheet=sheet)
    table = load_channel_table(channels)
    with open_store(warehouse, write=True) as store:
        run = _Run(
            store=store,
            paperwork=paperwork,
            table=table,
            total=len(found.logs),
            tell=progress or say_nothing,
        )
        run.take(found.logs)
    return IngestReport(
        stored=tuple(run.stored),
        skipped=(*run.skipped, *_not_logs(found), *_without_file(paperwork, found)),
        refused=tuple(run.refused),
        sheets=tuple(str(sheet.path) for sheet in paperwork.sheets),
    )


@dataclass(slots=True, kw_only=True)
class _Run:
    """The state of one ingest."""

    store: Store
    paperwork: Paperwork
    table: ChannelTable
    total: int
    tell: Callable[[Progress], None]
    stored: list[Stored] = field(default_factory=list[Stored])
    skipped: list[Skipped] = field(default_factory=list[Skipped])
    refused: list[Refused] = field(default_factory=list[Refused])
    done: int = 0

    def take(self, files: Iterable[FoundFile]) -> None:
        """Read files in batches and store each batch."""
        for batch in self._batches(files):
            self._take_batch(batch)

    def _batches(self, files: Iterable[FoundFile]) -> Iterator[list[_Read]]:
        batch: list[_Read] = []
        size = 0
        for file in files:
            try:
                source = source_of(file)
            except OSError as error:
                self._note(_unreadable(file, error))
                continue
            batch.append(_Read(file=file, source=source))
            size += len(source.data)
            if len(batch) >= BATCH_FILES or size >= BATCH_BYTES:
                yield batch
                batch, size = [], 0
        yield batch

    def _take_batch(self, batch: list[_Read]) -> None:
        first: dict[str, _Read] = {}
        again = [read for read in batch if first.setdefault(read.source.sha256, read) is not read]
        known = self.store.labels_of_sources(list(first))
        taken: list[tuple[_Read, NewPull]] = []
        for read in first.values():
            outcome = self._outcome(read, known.get(read.source.sha256))
            if isinstance(outcome, list):
                taken += [(read, pull) for pull in outcome]
            self._note(outcome)
        self._commit(taken)
        if again:  # the same bytes twice in one batch: now the first of them is stored, or refused
            self._take_batch(again)

    def _outcome(
        self, read: _Read, known: list[StoredLabels] | None
    ) -> list[NewPull] | Skipped | Refused:
        """Return the pulls of a file, or why it has none to store."""
        file = read.file
        try:
            rows = self.paperwork.rows_of(file)
            if known:
                return Skipped(file=file.shown, reason=why_skipped(file, rows, known))
            return read_pulls(read.source, file, rows, table=self.table)
        except DynostatsError as error:
            return refusal(file.shown, error)

    def _note(self, outcome: list[NewPull] | Skipped | Refused) -> None:
        if isinstance(outcome, Skipped):
            self.skipped.append(outcome)
        elif isinstance(outcome, Refused):
            self.refused.append(outcome)
        self.done += 1
        self.tell(Progress(done=self.done, total=self.total))

    def _commit(self, taken: list[tuple[_Read, NewPull]]) -> None:
        if not taken:
            return
        names = self.store.add([pull for _, pull in taken])
        committed = tuple(
            stored_entry(name, pull, file=read.file.shown)
            for name, (read, pull) in zip(names, taken, strict=True)
        )
        self.stored += committed
        self.tell(Progress(done=self.done, total=self.total, committed=committed))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """A file and its bytes."""

    file: FoundFile
    source: Source


def _unreadable(file: FoundFile, error: OSError) -> Refused:
    return Refused(
        file=file.shown,
        what=f"the file cannot be opened ({error.strerror or error})",
        where=file.shown,
        mend="Check that it is there and that you may read it.",
    )


def _not_logs(found: Found) -> list[Skipped]:
    return [
        Skipped(file=file.shown, reason="not a kind of file that holds a log; name it to try it")
        for file in found.others
    ]


def _without_file(paperwork: Paperwork, found: Found) -> list[Skipped]:
    return [
        Skipped(
            file=row.file,
            reason=f"line {row.line} of {sheet.path.name} names it, but there is no such file here",
        )
        for sheet, row in paperwork.rows_without_file(found.whole_folders)
    ]
