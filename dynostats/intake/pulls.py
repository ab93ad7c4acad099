"""From the bytes of files to the pulls they hold, ready for the warehouse."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from dynostats.arrays import frames_of
from dynostats.errors import DynostatsError
from dynostats.ingest import ChannelReading, ChannelTable, SheetRow, read_plain
from dynostats.intake.files import FoundFile
from dynostats.intake.paperwork import labels_of
from dynostats.intake.report import Refused, refusal
from dynostats.intake.steps import STEPS, Part, Reading
from dynostats.warehouse import Labels, NewPull, Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A file to be read.

    Args:
        shown: What to call it.
        source: Its bytes.
        rows: Its rows of the sheet.
    """

    shown: str
    source: Source
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadFile:
    """A file that was read.

    Args:
        parts: Its pulls.
        labels: What the paperwork says of each.
        readings: What its columns became.
        metadata: What it says of itself.
    """

    parts: list[Part]
    labels: list[Labels]
    readings: tuple[ChannelReading, ...]
    metadata: dict[str, str]


# What reading one file gives: numbers still as arrays, then as what the warehouse takes.
Result = ReadFile | Refused
Outcome = list[NewPull] | Refused


def source_of(file: FoundFile) -> Source:
    """Read a file's bytes and name them by their SHA-256.

    Raises:
        OSError: If the file cannot be read.
    """
    with open(file.path, "rb", buffering=0) as opened:  # noqa: PTH123 - see FoundFile
        data = opened.readall()
    return Source(file=file.name, sha256=hashlib.sha256(data).hexdigest(), data=data)


def read_files(tasks: Sequence[Task], *, table: ChannelTable) -> list[Result]:
    """Read files, or say why they cannot be read: a bad file stops nothing.

    Those that are plain numbers below a known header are parsed together.
    """
    try:
        plain = read_plain([task.source.data for task in tasks], table)
    except Exception:  # noqa: BLE001 - read one by one, the file that did it is refused alone
        plain = [None] * len(tasks)
    files = [
        _File(
            task,
            Reading(
                source=task.source,
                names=table,
                ambient=task.rows[0].ambient if task.rows else None,
                raw=raw,
            ),
        )
        for task, raw in zip(tasks, plain, strict=True)
    ]
    for step in STEPS:
        for file in files:
            file.take(step)
    for file in files:
        file.take(file.label)
    return [file.result() for file in files]


@dataclass(slots=True)
class _File:
    """A file that takes its steps, until one refuses it."""

    task: Task
    reading: Reading
    labels: list[Labels] = field(default_factory=list[Labels])
    refused: Refused | None = None

    def take(self, step: Callable[[Reading], None]) -> None:
        """Take a step; an error that nobody foresaw is a refusal too, so that it is reported."""
        if self.refused is not None:
            return
        shown = self.task.shown
        try:
            step(self.reading)
        except DynostatsError as error:
            self.refused = refusal(shown, error)
        except Exception as error:  # noqa: BLE001 - one file must not take 4,999 others with it
            self.refused = Refused(
                file=shown,
                what=f"reading it failed in a way nobody foresaw ({type(error).__name__}: {error})",
                where=shown,
                mend="Please report this as a fault of dynostats, with the file if you may.",
            )

    def label(self, reading: Reading) -> None:
        """Give its pulls their labels."""
        self.labels = labels_of(
            self.task.shown, self.task.rows, reading.require_log(), parts=len(reading.pulls)
        )

    def result(self) -> Result:
        """Return what became of it."""
        if self.refused is not None:
            return self.refused
        log = self.reading.require_log()
        return ReadFile(
            parts=self.reading.parts(),
            labels=self.labels,
            readings=log.channels,
            metadata=log.metadata,
        )


def outcomes_of(tasks: Sequence[Task], results: Sequence[Result]) -> list[Outcome]:
    """Return what the warehouse takes of files that were read; frames are made for all at once."""
    parts = [part for result in results if isinstance(result, ReadFile) for part in result.parts]
    samples = iter(frames_of([part.samples for part in parts]))
    curves = iter(frames_of([part.curve for part in parts if part.curve is not None]))
    return [
        result if isinstance(result, Refused) else _new_pulls(task.source, result, samples, curves)
        for task, result in zip(tasks, results, strict=True)
    ]


def _new_pulls(
    source: Source, file: ReadFile, samples: Iterator[pl.DataFrame], curves: Iterator[pl.DataFrame]
) -> list[NewPull]:
    return [
        NewPull(
            source=source,
            labels=labels,
            samples=next(samples),
            curve=None if part.curve is None else next(curves),
            part=number,
            first_row=part.first_row,
            readings=file.readings,
            metadata=file.metadata,
            findings=part.findings,
            void=_with_note(part.void, labels.notes),
        )
        for number, (part, labels) in enumerate(zip(file.parts, file.labels, strict=True), start=1)
    ]


def _with_note(void: str | None, notes: str | None) -> str | None:
    """Put what the operator wrote beside what the samples say."""
    return f"{void.rstrip('.')}. The sheet says: {notes}" if void and notes else void
