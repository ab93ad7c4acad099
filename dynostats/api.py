"""One function a command: the warehouse as a Python object, its answers as frozen results."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType


class Warehouse:
    """An open warehouse."""

    def __init__(self, path: Path) -> None:
        """Remember where the warehouse is; it is opened by the call that needs it."""
        self.path = path

    def __enter__(self) -> Warehouse:
        """Return the warehouse itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Nothing is held open between calls."""


def open_warehouse(path: str | os.PathLike[str]) -> Warehouse:
    """Open a warehouse file."""
    return Warehouse(Path(path))
