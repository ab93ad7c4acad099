"""The ingest itself: file after file into batches, batch after batch into the warehouse."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from dynostats.errors import DynostatsError
from dynostats.ingest import load_channel_table
from dynostats.intake.files import Found, FoundFile, find_files
from dynostats.intake.known import why_skipped
from dynostats.intake.paperwork import Paperwork, Sheet
from dynostats.intake.pulls import Outcome, Task, source_of
from dynostats.intake.readers import Read, reader
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
from dynostats.warehouse import NewPull, Store, StoredLabels, open_store

# A batch is one transaction. Fewer, larger ones are faster (a transaction a file costs 6 times the
# reading, one for 1,000 files a sixth of it); memory bounds them.
BATCH_FILES = 1000
BATCH_BYTES = 32_000_000


def ingest(
    paths: Sequence[Path],
    *,
    warehouse: Path,
    sheet: Path | None = None,
    channels: Path | None = None,
    progress: Callable[[Progress], None] | None = None,
    judge: Callable[[Store], Mapping[str, str]] | None = None,
) -> IngestReport:
    """Read files into the warehouse; safe to repeat.

    A bad file never stops the others. A pull counts as stored only when its batch is committed.

    Args:
        paths: Files, or folders of them.
        warehouse: The warehouse file; made when there is none.
        sheet: The sheet with the labels; None to take sheet.csv or sheet.xlsx beside the files.
        channels: A TOML file with more names of channels.
        progress: Told after every file and every commit.
        judge: Given the warehouse when all is stored, before another program can have it; leaves
            pulls out and returns why, by pull.

    Returns:
        What became of each file.

    Raises:
        InputError: If a path, the sheet or the channel table cannot be read.
        WarehouseError: If the warehouse cannot be written; what was committed before is kept.
    """
    not_logs = [warehouse, *([sheet] if sheet else []), *([channels] if channels else [])]
    found = find_files(paths, not_logs=not_logs)
    table = load_channel_table(channels)
    with contextlib.ExitStack() as open_things:
        # The helpers come first: they start while the sheets are read.
        read = open_things.enter_context(reader(table, files=len(found.logs)))
        paperwork = Paperwork(found.logs, sheet=sheet)
        store = open_things.enter_context(open_store(warehouse, write=True))
        run = _Run(
            store=store,
            # Left before the store is: a batch on its way is committed, or undone, whole.
            storing=open_things.enter_context(ThreadPoolExecutor(max_workers=1)),
            paperwork=paperwork,
            read=read,
            total=len(found.logs),
            tell=progress or say_nothing,
        )
        run.take(found.logs)
        why = judge(run.store) if judge else {}
    own = {entry.pull for entry in run.stored}
    return IngestReport(
        stored=tuple(
            replace(entry, excluded=why[entry.pull]) if entry.pull in why else entry
            for entry in run.stored
        ),
        skipped=(
            *run.skipped,
            *_not_logs(found),
            *_stood_in_for(found, sheet),
            *_without_file(paperwork, found),
        ),
        refused=(*run.refused, *_useless_sheets(found, sheet, paperwork.sheets)),
        sheets=tuple(str(sheet.path) for sheet in paperwork.sheets),
        left_out={pull: reason for pull, reason in why.items() if pull not in own},
    )


@dataclass(slots=True, kw_only=True)
class _Run:
    """The state of one ingest.

    One batch is stored while the next one is read: the storage engine works outside of Python.
    """

    store: Store
    storing: ThreadPoolExecutor
    paperwork: Paperwork
    read: Read
    total: int
    tell: Callable[[Progress], None]
    stored: list[Stored] = field(default_factory=list[Stored])
    skipped: list[Skipped] = field(default_factory=list[Skipped])
    refused: list[Refused] = field(default_factory=list[Refused])
    seen: set[str] = field(default_factory=set[str])
    again: list[FoundFile] = field(default_factory=list[FoundFile])
    on_its_way: _OnItsWay | None = None
    done: int = 0

    def take(self, files: Sequence[FoundFile]) -> None:
        """Read files in batches and store each batch, reading the next one meanwhile."""
        begun: _Begun | None = None
        for batch in self._batches(files):
            following = self._begin(batch)
            if begun:
                self._finish(begun)
            begun = following
        if begun:
            self._finish(begun)
        self._settle()
        if self.again:  # the first file of the same bytes is now stored, or refused
            repeated, self.again = self.again, []
            self.seen.clear()
            self.take(repeated)

    def _batches(self, files: Iterable[FoundFile]) -> Iterator[list[Task]]:
        """Read bytes until a batch is full; put files aside whose bytes came before."""
        batch: list[Task] = []
        size = 0
        for file in files:
            task = self._task(file)
            if task is None:
                continue
            batch.append(task)
            size += len(task.source.data)
            if len(batch) >= BATCH_FILES or size >= BATCH_BYTES:
                yield batch
                batch, size = [], 0
        yield batch

    def _task(self, file: FoundFile) -> Task | None:
        try:
            task = Task(shown=file.shown, source=source_of(file), rows=self.paperwork.rows_of(file))
        except OSError as error:
            self._note(_unreadable(file, error))
        except DynostatsError as error:
            self._note(refusal(file.shown, error))
        else:
            if task.source.sha256 not in self.seen:
                self.seen.add(task.source.sha256)
                return task
            self.again.append(file)
        return None

    def _begin(self, batch: list[Task]) -> _Begun:
        """Deal with the files whose bytes are stored, and begin to read the others."""
        known = self.store.labels_of_sources([task.source.sha256 for task in batch])
        for task in batch:
            if task.source.sha256 in known:
                self._note(_repeated(task, known[task.source.sha256]))
        new = [task for task in batch if task.source.sha256 not in known]
        return _Begun(tasks=new, outcomes=self.read(new))

    def _finish(self, begun: _Begun) -> None:
        """Wait for what was begun, and begin to store it as one batch."""
        taken: list[tuple[str, NewPull]] = []
        for task, outcome in zip(begun.tasks, begun.outcomes, strict=True):
            if isinstance(outcome, list):
                taken += [(task.shown, pull) for pull in outcome]
            self._note(outcome)
        if taken:
            self._settle()
            numbers = self.storing.submit(self.store.add, [pull for _, pull in taken])
            self.on_its_way = _OnItsWay(taken=taken, names=numbers)

    def _settle(self) -> None:
        """Wait until the batch on its way is committed; only then are its pulls stored."""
        if self.on_its_way is None:
            return
        batch, self.on_its_way = self.on_its_way, None
        committed = tuple(
            stored_entry(name, pull, file=file)
            for name, (file, pull) in zip(batch.names.result(), batch.taken, strict=True)
        )
        self.stored += committed
        self.tell(Progress(done=self.done, total=self.total, committed=committed))

    def _note(self, outcome: Outcome | Skipped) -> None:
        if isinstance(outcome, Skipped):
            self.skipped.append(outcome)
        elif isinstance(outcome, Refused):
            self.refused.append(outcome)
        self.done += 1
        self.tell(Progress(done=self.done, total=self.total))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """A batch that is being read."""

    tasks: list[Task]
    outcomes: Iterable[Outcome]


@dataclass(frozen=True, slots=True, kw_only=True)
class _OnItsWay:
    """A batch that is being stored: its pulls with their files, and what will be their names."""

    taken: list[tuple[str, NewPull]]
    names: Future[tuple[str, ...]]


def _repeated(task: Task, known: list[StoredLabels]) -> Skipped | Refused:
    try:
        return Skipped(file=task.shown, reason=why_skipped(task.shown, task.rows, known))
    except DynostatsError as error:
        return refusal(task.shown, error)


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


def _stood_in_for(found: Found, sheet: Path | None) -> list[Skipped]:
    """Return the files called like a sheet that another one was asked for in the place of."""
    if sheet is None:
        return []
    reason = f"called like a sheet, but the labels were taken from {sheet}, as --sheet says"
    return [Skipped(file=file.shown, reason=reason) for file in found.sheets]


def _useless_sheets(found: Found, sheet: Path | None, used: Sequence[Sheet]) -> list[Refused]:
    """Return the files called like a sheet that are the sheet of no log."""
    taken = {one.path.resolve() for one in used}
    return [
        Refused(
            file=file.shown,
            what="called like a sheet, but no log of this ingest lies beside it or below",
            where=file.path,
            mend="Name the logs too, or their folder; or give it with --sheet.",
        )
        for file in found.sheets
        if sheet is None and Path(file.path).resolve() not in taken
    ]


def _without_file(paperwork: Paperwork, found: Found) -> list[Skipped]:
    return [
        Skipped(
            file=row.file,
            reason=f"line {row.line} of {sheet.path.name} names it, but there is no such file here",
        )
        for sheet, row in paperwork.rows_without_file(found.whole_folders)
    ]
