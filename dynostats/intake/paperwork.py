"""Which labels a file has: its rows of the sheet, or what it says of itself."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path, PurePosixPath

from dynostats.errors import InputError
from dynostats.ingest import Ambient, Log, SheetRow, read_sheet
from dynostats.intake.files import FoundFile, sheet_beside, sheets_in
from dynostats.warehouse import Labels

REQUIRED = ("engine", "session", "setup")


@dataclass(frozen=True, kw_only=True)  # not slotted: the cached lookups need a place
class Sheet:
    """A sheet and its rows."""

    path: Path
    rows: tuple[SheetRow, ...]

    @cached_property
    def by_path(self) -> dict[str, list[SheetRow]]:
        """The rows by the file as written, with / between folders."""
        return _grouped(self.rows, lambda row: _posix(row.file))

    @cached_property
    def by_name(self) -> dict[str, list[SheetRow]]:
        """The rows by the file's name without folder, whatever the case of its letters."""
        return _grouped(self.rows, lambda row: _name(row.file))

    @cached_property
    def by_stem(self) -> dict[str, list[SheetRow]]:
        """The rows by the file's name without folder and ending."""
        return _grouped(self.rows, lambda row: PurePosixPath(_name(row.file)).stem)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Beside:
    """The sheet of a folder's files.

    Args:
        sheet: The sheet.
        inside: Path of the folder from the sheet's own folder, to go before a file's name.
    """

    sheet: Sheet
    inside: str


class Paperwork:
    """The sheets of an ingest and the files their rows belong to."""

    def __init__(self, files: Sequence[FoundFile], *, sheet: Path | None) -> None:
        """Read the sheets.

        Args:
            files: The files that will ask for their rows.
            sheet: The one sheet to use; None to use the one beside each file.

        Raises:
            InputError: If a sheet cannot be read.
        """
        places = dict.fromkeys((file.folder, file.root) for file in files)  # in order, each once
        beside = {place: sheet or sheet_beside(*map(Path, place)) for place in places}
        found = dict.fromkeys(path for path in beside.values() if path)
        sheets = {path: Sheet(path=path, rows=read_sheet(path)) for path in found}
        self.sheets = tuple(sheets.values())
        self._of_place = {
            place: _Beside(sheet=sheets[path], inside=_within(Path(place[0]), path.parent))
            for place, path in beside.items()
            if path
        }
        self._taken: set[int] = set()
        self._files = files

    def rows_of(self, file: FoundFile) -> tuple[SheetRow, ...]:
        """Return the rows of the sheet that describe a file, in the sheet's order.

        Raises:
            InputError: If a row could mean another file of the same name as well.
        """
        beside = self._of_place.get((file.folder, file.root))
        if beside is None:
            return ()
        sheet = beside.sheet
        rows = sheet.by_path.get(f"{beside.inside}{file.name}") or sheet.by_path.get(file.shown)
        if rows is None:
            rows = self._rows_by_name(file, sheet)
        self._taken.update(id(row) for row in rows)
        return tuple(rows)

    def rows_without_file(self, folders: Sequence[Path]) -> list[tuple[Sheet, SheetRow]]:
        """Return the rows that no file asked for, of the sheets in folders ingested whole."""
        whole = {path.resolve() for folder in folders for path in _sheets_below(folder)}
        return [
            (sheet, row)
            for sheet in self.sheets
            if sheet.path.resolve() in whole
            for row in sheet.rows
            if id(row) not in self._taken
        ]

    def _rows_by_name(self, file: FoundFile, sheet: Sheet) -> list[SheetRow]:
        name = shared = file.name.casefold()
        rows = sheet.by_name.get(name, [])
        if not rows:
            shared = _stem(name)
            rows = [row for row in sheet.by_stem.get(shared, []) if _name(row.file) == shared]
        alike = self._names[sheet.path, shared] if rows else 0
        if alike > 1:
            raise InputError(
                f"{alike} files have this name, and line {rows[0].line} of {sheet.path.name} "
                "could mean any of them",
                where=file.shown,
                mend=f"Write the folder too in the sheet's file column, such as {file.shown}.",
            )
        return rows

    @cached_property
    def _names(self) -> Mapping[tuple[Path, str], int]:
        """How many files of a sheet share a name, and a name without its ending.

        Counted only where a sheet leaves folders or endings out.
        """
        counts: defaultdict[tuple[Path, str], int] = defaultdict(int)
        for file in self._files:
            beside = self._of_place.get((file.folder, file.root))
            if beside is not None:
                name = file.name.casefold()
                for shared in {name, _stem(name)}:
                    counts[beside.sheet.path, shared] += 1
        return counts


def labels_of(file: str, rows: Sequence[SheetRow], log: Log, *, parts: int) -> list[Labels]:
    """Return the labels of each pull of a file.

    Args:
        file: What to call the file, for the error.
        rows: Its rows of the sheet, in the sheet's order; none when it has none.
        log: The file as read; what it says of itself fills what the sheet leaves open.
        parts: How many pulls it holds.

    Raises:
        InputError: If neither sheet nor file names engine, session and setup, or the sheet has
            another number of rows than the file has pulls.
    """
    if len(rows) > 1 and len(rows) != parts:
        raise InputError(
            f"the sheet has {len(rows)} rows for this file (lines "
            f"{', '.join(str(row.line) for row in rows)}), but it holds {parts} pull(s)",
            where=file,
            mend="Give one row for the whole file, or one row for each pull in it.",
        )
    if len(rows) > 1:
        return [_from_row(row, log) for row in rows]
    first = _from_row(rows[0], log) if rows else _from_file(file, log)
    if first.order is None:
        return [first] * parts
    return [replace(first, order=first.order + part) for part in range(parts)]


def _from_row(row: SheetRow, log: Log) -> Labels:
    air = _merged(row.ambient, log.ambient)
    return Labels(
        engine=row.engine,
        dyno=row.dyno or None,
        session=row.session,
        setup=row.setup,
        order=row.order,
        started=row.started or log.started,
        ambient_pressure_kpa=air.pressure_kpa,
        ambient_temperature_c=air.temperature_c,
        ambient_humidity_pct=air.humidity_pct,
        notes=row.notes or None,
        attributes=row.attributes,
    )


def _from_file(file: str, log: Log) -> Labels:
    said = {key.strip().casefold(): value.strip() for key, value in log.metadata.items()}
    missing = [name for name in REQUIRED if not said.get(name)]
    if missing:
        raise InputError(
            f"no row of a sheet describes this file, and it does not name its {_and(missing)}",
            where=file,
            mend="Give a sheet with --sheet (or as sheet.csv beside the files): one row a pull "
            "with the columns file, engine, session, setup.",
        )
    order = said.get("order", "")
    return Labels(
        engine=said["engine"],
        dyno=said.get("dyno") or None,
        session=said["session"],
        setup=said["setup"],
        order=int(order) if order.isascii() and order.isdigit() else None,
        started=log.started,
        ambient_pressure_kpa=log.ambient.pressure_kpa,
        ambient_temperature_c=log.ambient.temperature_c,
        ambient_humidity_pct=log.ambient.humidity_pct,
        notes=said.get("notes") or None,
    )


def _merged(first: Ambient, second: Ambient) -> Ambient:
    return Ambient(
        pressure_kpa=second.pressure_kpa if first.pressure_kpa is None else first.pressure_kpa,
        temperature_c=second.temperature_c if first.temperature_c is None else first.temperature_c,
        humidity_pct=second.humidity_pct if first.humidity_pct is None else first.humidity_pct,
    )


def _grouped(rows: Sequence[SheetRow], key: Callable[[SheetRow], str]) -> dict[str, list[SheetRow]]:
    groups: defaultdict[str, list[SheetRow]] = defaultdict(list)
    for row in rows:
        groups[key(row)].append(row)
    return dict(groups)


def _sheets_below(folder: Path) -> list[Path]:
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    return [sheet for each in folders for sheet in sheets_in(each)]


def _within(folder: Path, sheets: Path) -> str:
    """Return the path of a folder from that of a sheet; "" where it does not lie below."""
    try:
        inside = folder.relative_to(sheets).as_posix()
    except ValueError:
        return ""
    return "" if inside == "." else f"{inside}/"


def _stem(name: str) -> str:
    return PurePosixPath(name).stem


def _posix(written: str) -> str:
    return written.strip().replace("\\", "/").removeprefix("./")


def _name(written: str) -> str:
    return PurePosixPath(_posix(written)).name.casefold()


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
