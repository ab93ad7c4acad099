"""Which rows of a regression share what: pulls their error, sessions their level."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Ints
from dynostats.errors import InputError

PULL, SESSION, SETUP = "pull", "session", "setup"


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """Which rows share what.

    Args:
        by: Column of the clusters.
        within: Column of the levels above them; "" for none.
    """

    by: str
    within: str

    @property
    def columns(self) -> tuple[str, ...]:
        """Return the columns a row must have."""
        return (self.by, self.within) if self.within else (self.by,)


def structure_of(columns: Iterable[str], by: str | None) -> Structure:
    """Return the structure of the noise: what was asked, else the warehouse's own.

    The warehouse's own: rows of a pull share its error, and pulls of a session share its level.

    Args:
        columns: Of the rows.
        by: Column whose rows share an error; None for the warehouse's own.

    Raises:
        InputError: Nothing is asked, and the rows are no pulls.
    """
    there = set(columns)
    if by is not None:
        return Structure(by=by, within="")
    if PULL not in there:
        raise InputError(
            "the rows have no column 'pull', so nothing says which of them share an error",
            where="by",
            mend="Name the column of the clusters with by=, or say errors='independent'.",
        )
    return Structure(by=PULL, within=SESSION if SESSION in there else "")


def codes(frame: pl.DataFrame, name: str) -> Ints:
    """Return the number of each row's group by a column, from 0, shape (rows,)."""
    return (frame[name].rank("dense") - 1).to_numpy().astype(np.intp)


def require_nested(frame: pl.DataFrame, shared: Structure) -> None:
    """Do nothing if each cluster lies in one level.

    Raises:
        InputError: One lies in several; names it.
    """
    spans = frame.group_by(shared.by).agg(pl.col(shared.within).n_unique())
    several = spans.filter(pl.col(shared.within) > 1)[shared.by].sort().to_list()
    if several:
        raise InputError(
            f"{shared.by} {several[0]} lies in several {shared.within}s",
            where=shared.by,
            mend=f"Give each {shared.by} a name of its own.",
        )
