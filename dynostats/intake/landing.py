"""When a log that lands in a folder is complete: nothing half-written is ever taken in.

A file is ready when its size and time of change have stood still for a while, the bytes read are
those of a file that did not change meanwhile, and they parse to their end: no cut row, no cut
number, no refusal. The folder is looked into again and again; no service of the operating system is
needed, so it works on a share and a memory stick too.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from dynostats.errors import DynostatsError
from dynostats.ingest import ChannelTable, read_log
from dynostats.intake.files import FoundFile, find_files

# A file without a line end at its end may be waiting for its next line: this many times longer it
# must stand still. Likewise one that is cut or refused, before the reader is told.
PATIENCE = 5.0
_SEPARATORS = (b",", b";", b"\t", b"|")
# The last two lines of a log lie within so many bytes of its end.
_TAIL = 16_384
# Beginnings of files that say themselves where they end: spreadsheet, Parquet, measurement file.
_BINARY = (b"PK\x03\x04", b"PAR1", b"MDF ")

State = Literal["waiting", "ready", "stuck"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """A file in the folder that is not taken in yet.

    Args:
        file: The file.
        size: Its size when last looked at, bytes.
        changed: Its time of change then, nanoseconds.
        since: When it was first seen so, seconds of the caller's clock.
        state: "waiting" while it may still be written; "ready" to be taken in; "stuck" when it has
            stood still for long and is no whole log.
        why: What is waited for, or what is wrong with it; "" when ready.
    """

    file: FoundFile
    size: int
    changed: int
    since: float
    state: State
    why: str


class Folder:
    """A folder that logs land in."""

    def __init__(self, path: Path, *, settle_s: float, table: ChannelTable) -> None:
        """Remember the folder.

        Args:
            path: The folder.
            settle_s: How long a file must stand still, seconds.
            table: Names of channels.
        """
        self.path = path
        self.settle_s = settle_s
        self._table = table
        self._seen: dict[str, Landing] = {}
        self._done: dict[str, tuple[int, int]] = {}

    def look(self, now: float, *, not_logs: Iterable[Path] = ()) -> tuple[Landing, ...]:
        """Return the files that are not taken in yet, as they stand now, by name.

        Args:
            now: The caller's clock, seconds; must not run backwards.
            not_logs: Files that are none.

        Raises:
            InputError: If the folder does not exist.
        """
        found = find_files([self.path], not_logs=not_logs).logs
        present = {file.path for file in found}
        self._seen = {path: seen for path, seen in self._seen.items() if path in present}
        landings = [landing for file in found if (landing := self._look_at(file, now)) is not None]
        return tuple(sorted(landings, key=lambda landing: landing.changed))

    def done(self, landing: Landing) -> None:
        """Remember that a file was dealt with: it is looked at again only when it changes."""
        self._done[landing.file.path] = (landing.size, landing.changed)
        self._seen.pop(landing.file.path, None)

    def _look_at(self, file: FoundFile, now: float) -> Landing | None:
        try:
            status = Path(file.path).stat()
        except OSError:  # gone since the folder was read
            return None
        stamp = (status.st_size, status.st_mtime_ns)
        if self._done.get(file.path) == stamp:
            return None
        before = self._seen.get(file.path)
        if before is None or (before.size, before.changed) != stamp:
            before = Landing(
                file=file,
                size=stamp[0],
                changed=stamp[1],
                since=now,
                state="waiting",
                why="it may still be written",
            )
        elif before.state == "waiting":
            before = self._judge(before, now - before.since)
        self._seen[file.path] = before
        return before

    def _judge(self, landing: Landing, still_s: float) -> Landing:
        """Tell whether a file that has stood still for some time is a whole log."""
        if still_s < self.settle_s:
            return landing
        data = _read_unchanged(landing)
        if data is None:
            return replace(landing, why="it changed while it was read")
        why = _cut_line(data) or _not_whole(data, landing.file.name, self._table)
        patient = still_s >= PATIENCE * self.settle_s
        if why:
            return replace(landing, state="stuck" if patient else "waiting", why=why)
        if _ends_open(data) and not patient:
            return replace(landing, why="its last line has no end yet")
        return replace(landing, state="ready", why="")


def _read_unchanged(landing: Landing) -> bytes | None:
    """Return a file's bytes; None when it changed since it was looked at."""
    try:
        with Path(landing.file.path).open("rb") as file:
            data = file.read()
            status = os.fstat(file.fileno())
    except OSError:
        return None
    same = (status.st_size, status.st_mtime_ns) == (landing.size, landing.changed)
    return data if same and len(data) == landing.size else None


def _not_whole(data: bytes, name: str, table: ChannelTable) -> str:
    """Return why bytes are no whole log; "" when they are."""
    try:
        log = read_log(data, name=name, table=table)
    except DynostatsError as error:
        return error.headline()
    return next((found.message for found in log.findings if found.check == "truncated"), "")


def _cut_line(data: bytes) -> str:
    """Return what is cut of a last line that has no end and fewer cells than the line before it.

    The reader might take such a rest for a line below the samples.
    """
    if not _ends_open(data):
        return ""
    lines = [line for line in data[-_TAIL:].splitlines() if line.strip()]
    if len(lines) < 2:
        return ""
    before, last = lines[-2:]
    fewer = any(last.count(sign) < before.count(sign) for sign in _SEPARATORS)
    open_cell = last.endswith(_SEPARATORS) and not before.endswith(_SEPARATORS)
    return "the file breaks off in its last line" if fewer or open_cell else ""


def _ends_open(data: bytes) -> bool:
    """Tell whether a text lacks the end of its last line; other kinds of file end by themselves."""
    if data.startswith(_BINARY) or b"\0" in data[:64]:  # the last: two bytes a letter
        return False
    return not data.endswith((b"\n", b"\r"))
