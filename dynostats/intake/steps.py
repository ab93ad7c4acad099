"""One file's way from its bytes to judged pulls, in steps.

Each step is a function of its own, so that many files can take one after the other together: code
and data then stay in the processor's cache, which saves a quarter of the time.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from dynostats.arrays import Channels
from dynostats.curves import Sweep, Sweeps, align_channels, find_sweeps, fit_curves
from dynostats.curves.acceptance import Evidence, judge_pull, why_void
from dynostats.errors import DynostatsError
from dynostats.ingest import (
    Ambient,
    ChannelTable,
    Finding,
    Log,
    Table,
    read_table,
    understand,
)
from dynostats.warehouse import Source


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


@dataclass(slots=True, kw_only=True)
class Pull:
    """One pull of a file on its way.

    Args:
        rows: Rows of the file's table that belong to it.
        sweep: Its rise; None when the log has none.
        curve: Its curve; None before it is made, and when none can be.
        void: Why no curve can be made.
        own: What its own samples and curve say.
    """

    rows: range
    sweep: Sweep | None
    curve: Channels | None = None
    void: str | None = None
    own: tuple[Finding, ...] = ()


@dataclass(slots=True, kw_only=True)
class Reading:
    """A file on its way.

    Args:
        source: The file.
        names: Names of channels.
        ambient: Air of the cell from the shop's sheet.
        raw: Its table; None until it is read.
        log: What its columns mean.
        sweeps: The rises in it; None when it has no pull.
        aligned: Its channels, late ones moved to when they happened; None when none is late.
        findings: What was noticed about the file.
        pulls: Its pulls.
    """

    source: Source
    names: ChannelTable
    ambient: Ambient | None
    raw: Table | None = None
    log: Log | None = None
    sweeps: Sweeps | None = None
    aligned: Channels | None = None
    findings: tuple[Finding, ...] = ()
    pulls: list[Pull] = field(default_factory=list[Pull])

    def require_log(self) -> Log:
        """Return the log, which the first step made."""
        if self.log is None:
            msg = "the file's columns are not understood yet"
            raise RuntimeError(msg)
        return self.log

    def parts(self) -> list[Part]:
        """Return the pulls, after the last step."""
        values = self.require_log().values
        return [_part(values, self.findings, pull) for pull in self.pulls]


def read_parts(
    source: Source, *, table: ChannelTable, ambient: Ambient | None
) -> tuple[Log, list[Part]]:
    """Read a file, split it at its pulls, make their curves and judge each by itself.

    A log without a pull in it is one part without a curve: it is kept, and left out.

    Raises:
        DynostatsError: If the file is no log.
    """
    reading = Reading(source=source, names=table, ambient=ambient)
    for step in STEPS:
        step(reading)
    return reading.require_log(), reading.parts()


def _understand(file: Reading) -> None:
    if file.raw is None:
        file.raw = read_table(file.source.data, file.names, name=file.source.file)
    file.log = understand(
        file.raw,
        file.names,
        name=file.source.file,
        sha256=file.source.sha256,
        sheet=file.ambient,
    )
    file.findings = file.log.findings


def _find_pulls(file: Reading) -> None:
    values = file.require_log().values
    try:
        file.sweeps = find_sweeps(values)
    except DynostatsError as error:
        file.pulls = [Pull(rows=range(values.height), sweep=None, void=_in_words(error))]
        return
    left_out = (Finding(check="sweep", severity="note", message=m) for m in file.sweeps.findings)
    file.findings = (*file.findings, *left_out)
    if file.names.lags:
        _align(file, file.sweeps.pulls)
    starts = _starts(values, file.sweeps.pulls)
    ends = [*starts[1:], values.height]
    file.pulls = [
        Pull(rows=range(start, end), sweep=sweep)
        for sweep, start, end in zip(file.sweeps.pulls, starts, ends, strict=True)
    ]


def _align(file: Reading, pulls: Sequence[Sweep]) -> None:
    """Read channels as late as the channel file says they are; the samples stay as logged."""
    aligned = align_channels(file.require_log().samples, file.names.lags, pulls)
    file.aligned = Channels.of(aligned.samples)
    late = (Finding(check="lag", severity="note", message=m) for m in aligned.findings)
    file.findings = (*file.findings, *late)


def _starts(samples: Channels, sweeps: Sequence[Sweep]) -> list[int]:
    """Return the row each pull's samples begin with: where the engine was slowest in between."""
    speed = samples["engine_speed"]
    starts = [0]
    for before, after in itertools.pairwise(sweeps):
        between = speed[before.last_row + 1 : after.first_row + 1]
        starts.append(before.last_row + 1 + int(np.nanargmin(between)))
    return starts


def _fit(file: Reading) -> None:
    for pull in file.pulls:
        if pull.sweep is not None:
            try:
                pull.curve = fit_curves(file.aligned or file.require_log().values, pull.sweep)
            except DynostatsError as error:
                pull.void = _in_words(error)


def _judge(file: Reading) -> None:
    for pull in file.pulls:
        if pull.sweep is not None and pull.curve is not None and file.sweeps is not None:
            others = tuple(one for one in file.sweeps.others if one.first_row in pull.rows)
            evidence = Evidence(
                samples=file.require_log().values,
                sweep=pull.sweep,
                curve=pull.curve,
                others=others,
                last_row=pull.rows.stop - 1,
            )
            pull.own = judge_pull(evidence)


def _in_words(error: DynostatsError) -> str:
    return f"{error.headline().rstrip('.')}. {error.mend}".strip()


STEPS = (_understand, _find_pulls, _fit, _judge)


def _part(values: Channels, findings: tuple[Finding, ...], pull: Pull) -> Part:
    if pull.sweep is not None:
        findings = tuple(_weigh(finding, pull.sweep) for finding in findings)
    found = (*findings, *pull.own)
    return Part(
        first_row=pull.rows.start,
        samples=values.rows(pull.rows.start, pull.rows.stop),
        curve=pull.curve,
        findings=found,
        void=why_void(found) if pull.void is None else pull.void,
    )


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
