"""From the bytes of one file to the pulls it holds, ready for the warehouse."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from dynostats.curves import Sweep, Sweeps, align_channels, curve_of, find_sweeps
from dynostats.curves.acceptance import Evidence, judge_pull, why_void
from dynostats.errors import DynostatsError
from dynostats.ingest import Ambient, ChannelTable, Finding, Log, SheetRow, read_log
from dynostats.intake.files import FoundFile
from dynostats.intake.paperwork import labels_of
from dynostats.intake.report import Refused, refusal
from dynostats.warehouse import NewPull, Source

# What reading one file gives.
Outcome = list[NewPull] | Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A file to be read.

    Args:
        file: Where it lies, and what to call it.
        source: Its bytes.
        rows: Its rows of the sheet.
    """

    file: FoundFile
    source: Source
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One pull of a file.

    Args:
        first_row: Row of the file's table its samples begin with, from 0.
        samples: Its samples.
        curve: Its curve; None when none can be made.
        findings: What was noticed about the file and about this pull.
        void: Why it cannot be used; None when it can.
    """

    first_row: int
    samples: pl.DataFrame
    curve: pl.DataFrame | None
    findings: tuple[Finding, ...]
    void: str | None


def source_of(file: FoundFile) -> Source:
    """Read a file's bytes and name them by their SHA-256.

    Raises:
        OSError: If the file cannot be read.
    """
    data = file.path.read_bytes()
    return Source(file=file.path.name, sha256=hashlib.sha256(data).hexdigest(), data=data)


def pulls_or_refusal(task: Task, *, table: ChannelTable) -> Outcome:
    """Read a file and return its pulls, or why there are none: a bad file stops nothing.

    An error that nobody foresaw is a refusal too, and says so, so that it can be reported.
    """
    try:
        return read_pulls(task, table=table)
    except DynostatsError as error:
        return refusal(task.file.shown, error)
    except Exception as error:  # noqa: BLE001 - one file must not take 4,999 others with it
        return Refused(
            file=task.file.shown,
            what=f"reading it failed in a way nobody foresaw ({type(error).__name__}: {error})",
            where=task.file.shown,
            mend="Please report this as a fault of dynostats, with the file if you may.",
        )


def read_pulls(task: Task, *, table: ChannelTable) -> list[NewPull]:
    """Read a file and return its pulls with labels, curves and findings.

    Raises:
        DynostatsError: If the file is no log, or its labels are unknown.
    """
    source, file, rows = task.source, task.file, task.rows
    ambient = rows[0].ambient if rows else None
    log, parts = read_parts(source, table=table, ambient=ambient)
    labels = labels_of(file, rows, log, parts=len(parts))
    return [
        NewPull(
            source=source,
            labels=label,
            samples=part.samples,
            curve=part.curve,
            part=number,
            first_row=part.first_row,
            readings=log.channels,
            metadata=log.metadata,
            findings=part.findings,
            void=_with_note(part.void, label.notes),
        )
        for number, (part, label) in enumerate(zip(parts, labels, strict=True), start=1)
    ]


def _with_note(void: str | None, notes: str | None) -> str | None:
    """Put what the operator wrote beside what the samples say."""
    return f"{void.rstrip('.')}. The sheet says: {notes}" if void and notes else void


def read_parts(
    source: Source, *, table: ChannelTable, ambient: Ambient | None
) -> tuple[Log, list[Part]]:
    """Read a file, split it at its pulls, make their curves and judge each by itself.

    A log without a pull in it is one part without a curve: it is kept, and left out.

    Raises:
        DynostatsError: If the file is no log.
    """
    log = read_log(source.data, name=source.file, table=table, ambient=ambient)
    try:
        sweeps = find_sweeps(log.samples)
    except DynostatsError as error:
        whole = Part(
            first_row=0, samples=log.samples, curve=None, findings=log.findings, void=str(error)
        )
        return log, [whole]
    left_out = (Finding(check="sweep", severity="note", message=m) for m in sweeps.findings)
    aligned = align_channels(log.samples, table.lags, sweeps.pulls)
    late = (Finding(check="lag", severity="note", message=m) for m in aligned.findings)
    findings = (*log.findings, *left_out, *late)
    starts = _starts(log.samples, sweeps.pulls)
    ends = [*starts[1:], log.samples.height]
    parts = [
        _part(
            log.samples,
            sweeps,
            sweep,
            aligned=aligned.samples,
            rows=range(start, end),
            findings=tuple(_weigh(finding, sweep) for finding in findings),
        )
        for sweep, start, end in zip(sweeps.pulls, starts, ends, strict=True)
    ]
    return log, parts


def _weigh(finding: Finding, sweep: Sweep) -> Finding:
    """Make a note of what lies outside the pull: idle before it, overrun, another pull."""
    inside = not finding.rows or any(
        min(last, sweep.last_row) > max(first, sweep.first_row) for first, last in finding.rows
    )
    if inside or finding.severity == "note":
        return finding
    return replace(
        finding, severity="note", message=f"{finding.message} All of it lies outside the pull."
    )


def _starts(samples: pl.DataFrame, sweeps: Sequence[Sweep]) -> list[int]:
    """Return the row each pull's samples begin with: where the engine was slowest in between."""
    speed = samples["engine_speed"].to_numpy()
    starts = [0]
    for before, after in itertools.pairwise(sweeps):
        between = speed[before.last_row + 1 : after.first_row + 1]
        starts.append(before.last_row + 1 + int(np.nanargmin(between)))
    return starts


def _part(
    samples: pl.DataFrame,
    sweeps: Sweeps,
    sweep: Sweep,
    *,
    aligned: pl.DataFrame,
    rows: range,
    findings: tuple[Finding, ...],
) -> Part:
    part = samples[rows.start : rows.stop]
    try:
        curve = curve_of(aligned, sweep)
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
