"""Array types that the package passes around, and channels as one array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Channels:
    """The channels of one log, or of its curve, as one array.

    What is read and judged file by file works on this: making a frame of a log costs more than
    reading it, so frames are made once for many logs.

    Args:
        names: Names of the channels.
        values: Shape (channels, rows), NaN where missing.
    """

    names: tuple[str, ...]
    values: Floats

    @classmethod
    def of(cls, frame: pl.DataFrame | Channels) -> Channels:
        """Return the numeric columns of a frame; channels as they are."""
        if isinstance(frame, Channels):
            return frame
        names = [name for name, kind in frame.schema.items() if kind.is_numeric()]
        numeric = frame if len(names) == frame.width else frame.select(names)
        values = numeric.to_numpy().astype(np.float64, copy=False)
        return cls(tuple(names), np.ascontiguousarray(values.T))

    @property
    def height(self) -> int:
        """Return the number of rows."""
        return self.values.shape[1]

    def get(self, name: str) -> Floats | None:
        """Return a channel, shape (rows,); None if there is none."""
        return self.values[self.names.index(name)] if name in self.names else None

    def __getitem__(self, name: str) -> Floats:
        """Return a channel that must be there, shape (rows,)."""
        return self.values[self.names.index(name)]

    def take(self, names: Sequence[str]) -> Floats:
        """Return some channels, shape (names, rows)."""
        return self.values[[self.names.index(name) for name in names]]

    def rows(self, first: int, end: int) -> Channels:
        """Return the rows from `first` up to, not including, `end`."""
        return Channels(self.names, self.values[:, first:end])

    def frame(self) -> pl.DataFrame:
        """Return one column a channel, null where missing."""
        frame = pl.from_numpy(self.values, schema=list(self.names), orient="col")
        return frame.fill_nan(None) if np.isnan(self.values).any() else frame


def frames_of(tables: Sequence[Channels]) -> list[pl.DataFrame]:
    """Return the frame of each table, made together for all that have the same channels."""
    alike: dict[tuple[str, ...], list[int]] = {}
    for place, table in enumerate(tables):
        alike.setdefault(table.names, []).append(place)
    frames: dict[int, pl.DataFrame] = {}
    for names, places in alike.items():
        stack = Channels(names, np.concatenate([tables[at].values for at in places], axis=1))
        start, whole = 0, stack.frame()
        for place in places:
            frames[place] = whole[start : start + tables[place].height]
            start += tables[place].height
    return [frames[place] for place in range(len(tables))]
