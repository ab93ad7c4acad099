"""A watch at the cell: logs that land in a folder become pulls of the declared study, one by one.

Nothing is remembered outside the warehouse but how long each file has stood still, so a watch that
is killed loses nothing: the next one finds the same files, skips those that are stored, and takes
the look that is due.
"""

from __future__ import annotations

import csv
import hashlib
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import polars as pl

from dynostats.analysis.planning.declaration import Declaration
from dynostats.analysis.planning.progress import follow, of_study
from dynostats.analysis.planning.run_sheet import PlannedPull
from dynostats.analysis.planning.state import StudyState
from dynostats.api.cut_short import exclude_cut_short
from dynostats.api.declared import read_declaration
from dynostats.api.state import bring_up_to_date
from dynostats.errors import DynostatsError, InputError
from dynostats.ingest import load_channel_table
from dynostats.intake import IngestReport, ingest
from dynostats.intake.files import sheets_in
from dynostats.intake.landing import Folder, Landing
from dynostats.intake.paperwork import Paperwork
from dynostats.report.watch_page import FileNote
from dynostats.warehouse import Store, WarehouseInUseError, open_store
from dynostats.warehouse.schema import program
from dynostats.words import as_paragraphs

SHEET_COLUMNS = ("file", "engine", "dyno", "session", "setup", "order", "notes")

Kind = Literal["stored", "refused", "superseded", "busy"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened to a file.

    Args:
        kind: "stored", "refused", "superseded" (a whole file took the place of an earlier, shorter
            one), or "busy" (another program holds the warehouse; it is tried again).
        file: The file's name.
        text: What happened, in a sentence.
    """

    kind: Kind
    file: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """What a watch shows.

    Args:
        state: Where the study stands.
        landings: Files in the folder that are not taken in.
        refused: Files that were refused, with the reason, until they change.
        events: What happened since the last scene, oldest first.
    """

    state: StudyState
    landings: tuple[Landing, ...]
    refused: tuple[Event, ...]
    events: tuple[Event, ...]

    def to_dict(self) -> dict[str, object]:
        """Return the scene as plain values."""
        return self.state.to_dict() | {
            "files": [asdict(note) for note in self.notes()],
        }

    def notes(self) -> tuple[FileNote, ...]:
        """Return the files that are not pulls yet, and why."""
        landing = [
            FileNote(file=one.file.shown, state=one.state, why=one.why) for one in self.landings
        ]
        refused = [FileNote(file=one.file, state="refused", why=one.text) for one in self.refused]
        return (*landing, *refused)

    def _repr_html_(self) -> str:
        notes = [f"{one.file}: {one.state}, {one.why}" for one in self.notes()]
        return as_paragraphs([*(one.text for one in self.events), *notes] or ["Nothing new."])


class Watch:
    """A watch over a folder for one declared study. Made by `Warehouse.watch`."""

    def __init__(
        self,
        warehouse: Path,
        folder: Path,
        *,
        number: int | None,
        settle_s: float,
        channels: Path | None,
    ) -> None:
        """Find the declared question and remember the folder.

        Args:
            warehouse: The warehouse file.
            folder: The folder that logs land in.
            number: The declared question; None for the last.
            settle_s: How long a file must stand still before it is read, seconds.
            channels: A TOML file with more names of channels.

        Raises:
            InputError: If there is no such folder, or no such question.
        """
        if not folder.is_dir():
            raise InputError(
                "there is no such folder", where=str(folder), mend="Make it, or check the path."
            )
        self.warehouse = warehouse
        self._channels = channels
        self._folder = Folder(folder, settle_s=settle_s, table=load_channel_table(channels))
        self._refused: dict[str, Event] = {}
        self._stamp: tuple[int, ...] = ()
        with open_store(warehouse) as store:
            self.declared = read_declaration(store, number)
        with open_store(warehouse, write=True) as store:
            # A watch that was killed may have stored a pull and not yet held it against the rest.
            exclude_cut_short(store, who=program())
            self._state = bring_up_to_date(store, self.declared)
        self._stamp = self._stamp_now()

    def step(self, now: float) -> Scene:
        """Look at the folder, take in what is complete, and return what there is to show.

        Args:
            now: A clock in seconds that does not run backwards, such as `time.monotonic()`.
        """
        events: list[Event] = []
        try:
            for landing in self._look(now):
                if landing.state == "ready":
                    events += self._take(landing)
            if events or self._stamp_now() != self._stamp:
                self._update()
        except WarehouseInUseError as error:
            events.append(Event(kind="busy", file="", text=error.what))
        return Scene(
            state=self._state,
            landings=tuple(one for one in self._look(now) if one.state != "ready"),
            refused=tuple(self._refused.values()),
            events=tuple(events),
        )

    def settled(self, scene: Scene) -> bool:
        """Tell whether no file of the folder is being waited for."""
        return not any(landing.state == "waiting" for landing in scene.landings)

    def _look(self, now: float) -> tuple[Landing, ...]:
        return self._folder.look(now, not_logs=(self.warehouse,))

    def _update(self) -> None:
        with open_store(self.warehouse, write=True, create=False) as store:
            self._state = bring_up_to_date(store, self.declared)
        self._stamp = self._stamp_now()

    def _stamp_now(self) -> tuple[int, ...]:
        """Return size and time of change of the warehouse's files: others may amend a pull."""
        log = self.warehouse.with_name(f"{self.warehouse.name}.wal")
        files = [path.stat() for path in (self.warehouse, log) if path.exists()]
        return tuple(part for file in files for part in (file.st_size, file.st_mtime_ns))

    def _take(self, landing: Landing) -> list[Event]:
        """Store one complete file as a pull, unless its bytes are stored."""
        name = landing.file.shown
        data = Path(landing.file.path).read_bytes()
        if len(data) != landing.size:  # it was written to in between: next time
            return []
        digest = hashlib.sha256(data).hexdigest()
        with open_store(self.warehouse) as store:
            pulls = store.pulls()
            shorter = _shorter_files(store, pulls, landing, data)
        same = pulls.filter(sha256=digest)
        if not same.is_empty():
            if not of_study(same, self.declared).is_empty():
                self._folder.done(landing)
                return []
            text = f"the same bytes are stored already as {same['pull'][0]}: is this the new log?"
            return [self._refuse(landing, name, text)]
        try:
            report = self._ingest(landing, pulls)
        except WarehouseInUseError:
            raise
        except DynostatsError as error:
            return [self._refuse(landing, name, f"{error.what}. {error.mend}".strip())]
        self._folder.done(landing)
        if report.refused:
            refused = report.refused[0]
            return [self._refuse(landing, name, f"{refused.what} {refused.mend}".strip())]
        self._refused.pop(name, None)
        stored = [entry.pull for entry in report.stored]
        with open_store(self.warehouse, write=True, create=False) as store:
            cut = exclude_cut_short(store, who=program())
            for pull in shorter:
                store.exclude(
                    pull,
                    why=f"the file was still being written when it was read; {stored[0]} is whole",
                    who=program(),
                )
        events = [
            Event(kind="stored", file=name, text=_say_stored(entry.pull, entry.excluded, cut))
            for entry in report.stored
        ]
        events += [
            Event(kind="superseded", file=name, text=f"{pull} was cut; {stored[0]} takes its place")
            for pull in shorter
        ]
        return events

    def _refuse(self, landing: Landing, name: str, text: str) -> Event:
        self._folder.done(landing)
        event = Event(kind="refused", file=name, text=text)
        self._refused[name] = event
        return event

    def _ingest(self, landing: Landing, pulls: pl.DataFrame) -> IngestReport:
        """Read the file with the labels of its sheet, of the run sheet, or of what is next."""
        file = landing.file
        if sheets_in(Path(file.folder)):
            paperwork = Paperwork([file], sheet=None)
            if paperwork.rows_of(file):
                return ingest(
                    [Path(file.path)],
                    warehouse=self.warehouse,
                    sheet=paperwork.sheets[0].path,
                    channels=self._channels,
                )
        row = _row_for(Path(file.path), self.declared, pulls)
        with tempfile.TemporaryDirectory(prefix="dynostats-watch-") as place:
            sheet = Path(place) / "sheet.csv"
            _write_row(sheet, file.name, self.declared, row, pulls)
            return ingest(
                [Path(file.path)], warehouse=self.warehouse, sheet=sheet, channels=self._channels
            )


def _shorter_files(store: Store, pulls: pl.DataFrame, landing: Landing, data: bytes) -> list[str]:
    """Return accepted pulls of files that these bytes go on from: the same file, read too early."""
    alike = pulls.filter(file=landing.file.name).filter(pl.col("state") == "accepted")
    found: list[str] = []
    for row in alike.iter_rows(named=True):
        before = store.source(str(row["sha256"]))
        if len(before) < len(data) and data.startswith(before):
            found.append(str(row["pull"]))
    return found


def _row_for(file: Path, declared: Declaration, pulls: pl.DataFrame) -> PlannedPull:
    """Return the row of the run sheet that names a file, else the one that is to be run next.

    Raises:
        InputError: If no row names it and no pull is owed any more.
    """
    named = [row for row in declared.rows if Path(row.file).stem.casefold() == file.stem.casefold()]
    if named:
        return named[0]
    upcoming = follow(pulls, declared).next
    if upcoming is None:
        raise InputError(
            "all planned pulls are in, and no sheet says what this one is",
            where=file.name,
            mend="Put a row for it into sheet.csv in the folder.",
        )
    return upcoming


def _write_row(
    sheet: Path, name: str, declared: Declaration, row: PlannedPull, pulls: pl.DataFrame
) -> None:
    """Write a sheet of one row: its place is the place it was truly run at."""
    in_session = of_study(pulls, declared).filter(session=row.session)
    last = in_session["order"].drop_nulls().to_list()
    place = "" if row.order is None else str(max((int(at) for at in last), default=0) + 1)
    values: Sequence[str] = (
        name,
        declared.engine,
        declared.dyno or "",
        row.session,
        row.setup,
        place,
        "" if row.order is not None else row.note,
    )
    with sheet.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(SHEET_COLUMNS)
        writer.writerow(values)


def _say_stored(pull: str, excluded: str, cut: dict[str, str]) -> str:
    why = cut.get(pull, excluded)
    return f"{pull}: not accepted. {why}" if why else f"{pull}: accepted"
