"""The pulls of one engine on one dyno, as arrays: who may be measured by whom."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats, Ints

# Pulls of a group beyond which leaving one out is no longer needed.
MANY = 30


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

    def groups(self, *labels: str) -> list[Ints]:
        """Return the rows of pulls that share labels, such as session; all rows without any."""
        rows: dict[tuple[str, ...], list[int]] = {}
        keys = self.pulls.select(labels).rows() if labels else [()] * self.pulls.height
        for row, key in enumerate(keys):
            rows.setdefault(key, []).append(row)
        return [np.array(own, dtype=np.intp) for own in rows.values()]

    def usual(self, values: Floats, *labels: str, least: int) -> Floats:
        """Return the median of the other accepted pulls that share labels, for each pull.

        Args:
            values: Shape (pulls, …), NaN where unknown.
            *labels: What they must share; none for any pull of the mount.
            least: Known others needed.

        Returns:
            The same shape; NaN where too few others are known.
        """
        usual = np.full_like(values, np.nan)
        for rows in self.groups(*labels):
            measured = rows[self.accepted[rows]]
            # In a large group one pull hardly moves the median: it is not left out of it.
            if len(measured) > MANY:
                usual[rows] = _median(values[measured], least)
                continue
            for row in rows:
                usual[row] = _median(values[measured[measured != row]], least)
        return usual


def _median(values: Floats, least: int) -> Floats:
    enough = np.isfinite(values).sum(axis=0) >= least
    if not enough.any():
        return np.full(values.shape[1:], np.nan)
    return np.where(enough, np.nanmedian(np.where(enough, values, 0.0), axis=0), np.nan)


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
