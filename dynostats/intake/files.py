"""Which files an ingest means: the logs in its folders, and the sheet beside them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from dynostats.errors import InputError

LOG_ENDINGS = frozenset(
    {".csv", ".txt", ".tsv", ".dat", ".asc", ".log", ".xlsx", ".parquet", ".mf4"}
)
SHEET_NAMES = frozenset({"sheet.csv", "sheet.xlsx"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFile:
    """A file to be read as a log. Texts, not paths: there may be very many, and paths are slow.

    Args:
        path: Where it lies.
        shown: What to call it: its path within the folder that was asked for, with / between.
        name: Its name, without folder.
        folder: The folder it lies in.
        root: The folder that was asked for, or its own folder when the file itself was.
    """

    path: str
    shown: str
    name: str
    folder: str
    root: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What lies in the paths of an ingest.

    Args:
        logs: Files to read, sorted within each path.
        others: Files of a folder that are not of a kind that holds a log.
        sheets: Files that were named and are called like a sheet.
        whole_folders: The folders asked for, whose sheets should have a file for each row.
    """

    logs: tuple[FoundFile, ...]
    others: tuple[FoundFile, ...]
    sheets: tuple[FoundFile, ...]
    whole_folders: tuple[Path, ...]


def find_files(paths: Sequence[Path], *, not_logs: Iterable[Path]) -> Found:
    """Return the files that an ingest of some paths means.

    In a folder and its subfolders every file whose ending may be a log's is taken, except hidden
    and temporary ones, sheets, and those in `not_logs`. A file named itself is taken unless it is
    called like a sheet, as in `day/*.csv`.

    Raises:
        InputError: If a path does not exist.
    """
    excluded = {path.resolve() for path in not_logs}
    names = {path.name for path in excluded}
    logs: dict[str, FoundFile] = {}
    others: list[FoundFile] = []
    sheets: list[FoundFile] = []
    for path in paths:
        if not path.exists():
            raise InputError(
                "there is no such file or folder", where=str(path), mend="Check the path."
            )
        is_folder = path.is_dir()
        place = (path if is_folder else path.parent).resolve()
        for found in _in_folder(path) if is_folder else (_single(path),):
            if found.name in names and Path(found.path).resolve() in excluded:
                continue
            if not is_folder and found.name.lower() in SHEET_NAMES:
                sheets.append(found)
            elif is_folder and _ending(found.name) not in LOG_ENDINGS:
                others.append(found)
            else:
                logs.setdefault(f"{place}/{found.shown}", found)
    folders = tuple(path for path in paths if path.is_dir())
    return Found(
        logs=tuple(logs.values()),
        others=tuple(others),
        sheets=tuple(sheets),
        whole_folders=folders,
    )


def sheet_beside(folder: Path, root: Path) -> Path | None:
    """Return the sheet nearest to the files of a folder: in it, or above it up to the root.

    Raises:
        InputError: If two sheets lie in that folder.
    """
    while True:
        sheets = sheets_in(folder)
        if len(sheets) > 1:
            raise InputError(
                f"two sheets lie here: {', '.join(sheet.name for sheet in sheets)}",
                where=str(folder),
                mend="Say which with --sheet, or move one away.",
            )
        if sheets:
            return sheets[0]
        if folder in (root, folder.parent):
            return None
        folder = folder.parent


def sheets_in(folder: Path) -> list[Path]:
    """Return the files of a folder that are called like a sheet."""
    return sorted(path for path in folder.iterdir() if path.name.lower() in SHEET_NAMES)


def _ending(name: str) -> str:
    stem, dot, ending = name.rpartition(".")
    return f"{dot}{ending.lower()}" if stem else ""


def _single(path: Path) -> FoundFile:
    folder = str(path.parent)
    return FoundFile(path=str(path), shown=path.name, name=path.name, folder=folder, root=folder)


def _in_folder(root: Path) -> Iterable[FoundFile]:
    for inside, folder, name in _below(str(root), ""):
        yield FoundFile(
            path=os.path.join(folder, name),  # noqa: PTH118 - see FoundFile
            shown=f"{inside}{name}",
            name=name,
            folder=folder,
            root=str(root),
        )


def _below(folder: str, inside: str) -> Iterable[tuple[str, str, str]]:
    """Yield the files below a folder, sorted: folder from where the search began, folder, name."""
    with os.scandir(folder) as entries:
        kept = sorted((e for e in entries if not _is_passing(e.name)), key=lambda e: e.name)
    for entry in kept:
        if entry.is_dir():
            yield from _below(entry.path, f"{inside}{entry.name}/")
        elif _is_file(entry) and entry.name.lower() not in SHEET_NAMES:
            yield inside, folder, entry.name


def _is_file(entry: os.DirEntry[str]) -> bool:
    """Tell files from pipes and the like; a link that leads nowhere is said, not passed over."""
    return entry.is_file() or (entry.is_symlink() and not Path(entry.path).exists())


def _is_passing(name: str) -> bool:
    """Tell hidden files and what editors and spreadsheets leave while a file is open."""
    return name.startswith((".", "~$", "__MACOSX")) or name.endswith(
        ("~", ".tmp", ".part", ".bak", ".lock")
    )
