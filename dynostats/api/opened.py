"""The warehouse file, opened for each call."""

from __future__ import annotations

import getpass
import os
from datetime import datetime
from pathlib import Path
from typing import Self

from dynostats.warehouse import Store, open_store

AnyPath = str | os.PathLike[str]


class Opened:
    """A warehouse file, opened by each call for itself."""

    def __init__(self, path: Path) -> None:
        """Remember where the file is."""
        self.path = path

    def __enter__(self) -> Self:
        """Return the warehouse."""
        return self

    def __exit__(self, *_: object) -> None:
        """Leave; nothing is held open between calls."""

    def __repr__(self) -> str:
        """Name the file."""
        return f"Warehouse({str(self.path)!r})"

    def _reading(self, as_of: datetime | None = None) -> Store:
        return open_store(self.path, as_of=as_of)

    def _writing(self) -> Store:
        return open_store(self.path, write=True, create=False)


def name_of(who: str | None) -> str:
    """Return who is at the keyboard, as the computer knows them."""
    if who is not None:
        return who
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container without a user table
        return f"user {os.getuid()}"
