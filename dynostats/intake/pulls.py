"""From the bytes of one file to the pulls it holds, ready for the warehouse."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Channels, frames_of
from dynostats.curves import Sweep, Sweeps, find_sweeps, fit_curves
from dynostats.curves.acceptance import Evidence, judge_pull, why_void
from dynostats.errors import DynostatsError
from dynostats.ingest import (
    Ambient,
    ChannelReading,
    ChannelTable,
    Finding,
    Log,
    SheetRow,
    Table,
    read_plain,
    read_table,
    understand,
)
from dynostats.intake.files import FoundFile
from dynostats.intake.paperwork import labels_of
from dynostats.intake.report import Refused, refusal
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
class Part:
    """One pull of a file.

    Args:
        first_row: Row of the file's table its samples begin with, from 0.
        samples: Its samples.
        curve: Its curve, rpm first; None when none can be made.
        findings: What was noticed about the file and about this pull.
        void: Why it cannot be used; None when it can.
    """

    first_row: int
    samples: Channels
    curve: Channels | None
    findings: tuple[Finding, ...]
    void: str | None


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
    data = file.path.read_bytes()
    return Source(file=file.path.name, sha256=hashlib.sha256(data).hexdigest(), data=data)


def read_files(tasks: Sequence[Task], *, table: ChannelTable) -> list[Result]:
    """Read files, or say why they cannot be read: a bad file stops nothing.

    Those that are plain numbers below a known header are parsed together.
    """
    try:
        plain = read_plain([task.source.data for task in tasks], table)
    except Exception:  # noqa: BLE001 - read one by one, the file that did it is refused alone
        plain = [None] * len(tasks)
    return [_read_or_refuse(task, raw, table=table) for task, raw in zip(tasks, plain, strict=True)]


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


def _read_or_refuse(task: Task, raw: Table | None, *, table: ChannelTable) -> Result:
    """Read a file; an error that nobody foresaw is a refusal too, so that it can be reported."""
    try:
        log, parts = read_parts(
            task.source, raw, table=table, ambient=task.rows[0].ambient if task.rows else None
        )
        labels = labels_of(task.shown, task.rows, log, parts=len(parts))
    except DynostatsError as error:
        return refusal(task.shown, error)
    except Exception as error:  # noqa: BLE001 - one file must not take 4,999 others with it
        return Refused(
            file=task.shown,
            what=f"reading it failed in a way nobody foresaw ({type(error).__name__}: {error})",
            where=task.shown,
            mend="Please report this as a fault of dynostats, with the file if you may.",
        )
    return ReadFile(parts=parts, labels=labels, readings=log.channels, metadata=log.metadata)


def read_parts(
    source: Source, raw: Table | None = None, *, table: ChannelTable, ambient: Ambient | None
) -> tuple[Log, list[Part]]:
    """Read a file, split it at its pulls, make their curves and judge each by itself.

    A log without a pull in it is one part without a curve: it is kept, and left out.

    Args:
        source: The file.
        raw: Its table, where that has been read already.
        table: Names of channels.
        ambient: Air of the cell from the shop's sheet.

    Raises:
        DynostatsError: If the file is no log.
    """
    if raw is None:
        raw = read_table(source.data, table, name=source.file)
    log = understand(raw, table, name=source.file, sha256=source.sha256, sheet=ambient)
    try:
        sweeps = find_sweeps(log.values)
    except DynostatsError as error:
        whole = Part(
            first_row=0, samples=log.values, curve=None, findings=log.findings, void=str(error)
        )
        return log, [whole]
    left_out = (Finding(check="sweep", severity="note", message=m) for m in sweeps.findings)
    findings = (*log.findings, *left_out)
    starts = _starts(log.values, sweeps.pulls)
    ends = [*starts[1:], log.values.height]
    parts = [
        _part(log.values, sweeps, sweep, rows=range(start, end), findings=findings)
        for sweep, start, end in zip(sweeps.pulls, starts, ends, strict=True)
    ]
    return log, parts


def _starts(samples: Channels, sweeps: Sequence[Sweep]) -> list[int]:
    """Return the row each pull's samples begin with: where the engine was slowest in between."""
    speed = samples["engine_speed"]
    starts = [0]
    for before, after in itertools.pairwise(sweeps):
        between = speed[before.last_row + 1 : after.first_row + 1]
        starts.append(before.last_row + 1 + int(np.nanargmin(between)))
    return starts


def _part(
    samples: Channels,
    sweeps: Sweeps,
    sweep: Sweep,
    *,
    rows: range,
    findings: tuple[Finding, ...],
) -> Part:
    part = samples.rows(rows.start, rows.stop)
    try:
        curve = fit_curves(samples, sweep)
    except DynostatsError as error:
        return Part(
            first_row=rows.start, samples=part, curve=None, findings=findings, void=str(error)
        )
    own = judge_pull(
        Evidence(
            samples=samples,
            sweep=sweep,
            curve=curve,
            others=tuple(one for one in sweeps.others if one.first_row in rows),
            last_row=rows.stop - 1,
        )
    )
    found = (*findings, *own)
    return Part(
        first_row=rows.start, samples=part, curve=curve, findings=found, void=why_void(found)
    )
