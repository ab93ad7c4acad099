"""The pulls of one engine on one dyno, as arrays: who may be measured by whom."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mount:
    """One engine on one dyno.

    Args:
        engine: The engine.
        dyno: The dyno; "" where none is named.
        pulls: One row a pull that has a curve: labels and state.
        accepted: Shape (pulls,): those that others may be measured by.
        rpm: Grid speeds, shape (speeds,).
        channels: Channel to its values, shape (pulls, speeds), NaN where missing.
    """

    engine: str
    dyno: str
    pulls: pl.DataFrame
    accepted: Flags
    rpm: Floats
    channels: Mapping[str, Floats]

    def names(self) -> list[str]:
        """Return the names of the pulls."""
        return self.pulls["pull"].to_list()

    def place(self) -> str:
        """Return the engine, and the dyno if one is named, in words."""
        return f"{self.engine} on {self.dyno}" if self.dyno else self.engine

    def covered(self) -> Flags:
        """Return where each pull has any reading, shape (pulls, speeds)."""
        return np.any([np.isfinite(table) for table in self.channels.values()], axis=0)

    def others(self, row: int, *labels: str) -> Ints:
        """Return the accepted pulls besides one that share its labels, such as session."""
        alike = self.accepted.copy()
        for label in labels:
            alike &= np.array(self.pulls[label].to_list()) == self.pulls[label][row]
        alike[row] = False
        return np.flatnonzero(alike)


def read_mounts(pulls: pl.DataFrame, curves: pl.DataFrame) -> Iterator[Mount]:
    """Yield the mounts of some pulls.

    Args:
        pulls: One row a stored pull: pull, engine, dyno, session, setup, order, state and ambient.
        curves: One row a pull and grid speed: pull, rpm, then channels.
    """
    measured = curves.select(pl.col("pull").unique(maintain_order=True))
    stored = pulls.join(measured, on="pull", how="semi").with_columns(pl.col("dyno").fill_null(""))
    for (engine, dyno), own in stored.group_by("engine", "dyno", maintain_order=True):
        yield _lay_out(str(engine), str(dyno), own, curves)


def _lay_out(engine: str, dyno: str, pulls: pl.DataFrame, curves: pl.DataFrame) -> Mount:
    own = curves.join(
        pulls.select("pull").with_row_index("row"), on="pull", how="inner", maintain_order="left"
    )
    rpm = np.unique(own["rpm"].to_numpy())
    rows = own["row"].to_numpy()
    columns = np.searchsorted(rpm, own["rpm"].to_numpy())
    channels: dict[str, Floats] = {}
    for name in own.columns:
        if name in {"pull", "rpm", "row"} or own[name].null_count() == own.height:
            continue
        table = np.full((pulls.height, len(rpm)), np.nan)
        table[rows, columns] = own[name].cast(pl.Float64).to_numpy()
        channels[name] = table
    return Mount(
        engine=engine,
        dyno=dyno,
        pulls=pulls,
        accepted=(pulls["state"] == "accepted").to_numpy(),
        rpm=rpm,
        channels=channels,
    )
