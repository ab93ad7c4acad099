"""What no regression can answer, said before or instead of a number."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from dynostats.analysis.regression.clusters import ClusterFit
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

# Of a column of unit length, less than this is left when the columns before it are taken out.
DEPENDENT = 1e-9
# Of a column, less than this is left when the levels are taken out.
STILL = 1e-10
# With fewer clusters neither errors nor bootstraps hold.
FEWEST_CLUSTERS = 4
# A setup must change in so many sessions: with one or two, the errors of clusters are far too small
# (MacKinnon & Webb 2018, Econometrics Journal 21:114, on few treated clusters).
FEWEST_CHANGES = 3
# Clusters tell all of a variance but for rounding.
TOLD = 1.0 - 1e-6
MIXED = "ask for errors='mixed', which weighs pulls and sessions together"
# So many names are listed.
MOST_NAMES = 5


def listed(names: Sequence[str]) -> str:
    """Return names in a sentence, not too many."""
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def require_clusters(count: int, by: str) -> None:
    """Do nothing if there are enough clusters.

    Raises:
        AnalysisError: There are not.
    """
    if count < FEWEST_CLUSTERS:
        raise AnalysisError(
            f"there are too few clusters: {count} of {by}; cluster-robust errors need at least "
            f"{FEWEST_CLUSTERS}",
            where=by,
            mend="Use rows of more pulls, or name another column with by=.",
        )


def require_spare(rows: int, columns: int, levels: int) -> None:
    """Do nothing if there is something to fit, and rows are left for the noise.

    Raises:
        AnalysisError: They are not.
    """
    if not columns:
        raise AnalysisError(
            "the formula has no term, and levels leave no intercept",
            where="formula",
            mend="Add a term, or name the clusters with by= to keep the intercept.",
        )
    if rows <= columns + levels:
        raise AnalysisError(
            f"{rows} rows cannot tell {columns + levels} coefficients and levels and a noise",
            where="formula",
            mend="Use more rows or fewer terms.",
        )


def require_inside(names: tuple[str, ...], before: Floats, after: Floats, *, within: str) -> None:
    """Do nothing if each column varies inside the levels.

    Args:
        names: Of the columns.
        before: Their lengths about their mean, shape (columns,).
        after: About the levels, likewise.
        within: Whose levels.

    Raises:
        AnalysisError: One does not; names all that do not.
    """
    still = [
        name for name, was, left in zip(names, before, after, strict=True) if left <= STILL * was
    ]
    if still:
        raise AnalysisError(
            f"{listed(still)} does not vary within any {within}, and each {within} has a level "
            "of its own: the two cannot be told apart",
            where="formula",
            mend=f"Leave it out, compare {within}s with by='{within}', or {MIXED}.",
        )


def require_independent(names: tuple[str, ...], columns: Floats) -> None:
    """Do nothing if no column follows from the others.

    Args:
        names: Of the columns.
        columns: Shape (rows, columns), each of unit length.

    Raises:
        AnalysisError: One does; names it and those it follows from.
    """
    upper = np.asarray(np.linalg.qr(columns).R, dtype=np.float64)
    for at in range(len(names)):
        if at < len(upper) and abs(upper[at, at]) >= DEPENDENT:
            continue
        inner = min(at, len(upper))
        parts = np.linalg.lstsq(upper[:inner, :inner], upper[:inner, at], rcond=None)[0]
        others = [name for name, part in zip(names, parts, strict=False) if abs(part) > 1e-6]
        raise AnalysisError(
            f"{names[at]} follows from {listed(others)}: they cannot be told apart",
            where="formula",
            mend="Leave one of them out, or use rows in which they vary apart.",
        )


def require_setups_change(frame: pl.DataFrame, *, within: bool) -> None:
    """Do nothing if each setup was changed in enough sessions.

    Args:
        frame: The rows, with setup and session.
        within: Whether setups are compared inside sessions; else between them as well.

    Raises:
        AnalysisError: A setup changed in one or two sessions only; names all such.
    """
    stays = frame.select("session", "setup").unique()
    if within:
        stays = stays.filter(pl.len().over("session") > 1)
    changes = dict(stays.group_by("setup").len().rows())
    counts = {name: changes.get(name, 0) for name in sorted(frame["setup"].unique().to_list())}
    few = {name: count for name, count in counts.items() if 0 < count < FEWEST_CHANGES}
    if few:
        told = listed([f"'{name}' in {count}" for name, count in few.items()])
        how = "was changed" if within else "was pulled"
        raise AnalysisError(
            f"a setup {how} in too few sessions: {told}; with one or two, the errors of cluster "
            "methods are far too small",
            where="setup",
            mend=f"{MIXED[0].upper()}{MIXED[1:]}; compare the two with `compare`, which learns the "
            "noise from all pulls; or leave these setups out.",
        )


def require_told(fit: ClusterFit, names: tuple[str, ...], *, by: str) -> None:
    """Do nothing if the clusters tell the error of each coefficient.

    Raises:
        AnalysisError: One cluster alone determines a coefficient; names all such.
    """
    alone = [name for name, told in zip(names, fit.told, strict=True) if told < TOLD]
    if alone:
        raise AnalysisError(
            f"one {by} alone determines {listed(alone)}: nothing tells its error",
            where="formula",
            mend=f"Use rows in which more {by}s tell of it, or leave it out; or {MIXED}.",
        )
    weak = [name for name, df in zip(names, fit.df, strict=True) if df < 1.0]
    if weak:
        raise AnalysisError(
            f"one {by} all but determines {listed(weak)}: less than one degree of freedom is "
            "left for its error",
            where="formula",
            mend=f"Use rows in which more {by}s tell of it, or leave it out; or {MIXED}.",
        )
