"""Which stored pulls a plan learns from, and over which engine speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.outliers import MOST_OF_THEM
from dynostats.analysis.study import MOST_SCOPE
from dynostats.arrays import Flags
from dynostats.errors import AnalysisError
from dynostats.words import did_you_mean

# Fewer grid speeds than this are no band.
LEAST_SPEEDS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """What a plan is about, as far as the warehouse knows it.

    Args:
        engine: The engine; None where nothing is stored and none was named.
        dyno: The dyno; None likewise, "" for pulls whose paperwork names none.
        notes: Sentences on what was chosen for the reader.
    """

    engine: str | None
    dyno: str | None
    notes: tuple[str, ...]


def choose_scope(
    pulls: pl.DataFrame, *, engine: str | None, dyno: str | None, baseline: str | None
) -> Scope:
    """Choose engine and dyno for what was not named: where most pulls are.

    Args:
        pulls: One row an accepted pull: engine, dyno, setup.
        engine: The engine named; it may be new to the warehouse.
        dyno: The dyno named; likewise.
        baseline: The baseline setup named: an engine that had it comes first.
    """
    stored = pulls.with_columns(pl.col("dyno").fill_null(""))
    notes: list[str] = []
    of_engine = stored if engine is None else stored.filter(engine=engine)
    if engine is not None and of_engine.is_empty():
        notes.append(
            f"No pull of engine '{engine}' is stored yet: the noise is the cell's. "
            f"{did_you_mean(engine, stored['engine'])}".strip()
        )
        of_engine = stored
    of_dyno = of_engine if dyno is None else of_engine.filter(dyno=dyno)
    if dyno is not None and of_dyno.is_empty():
        notes.append(
            f"No pull on dyno '{dyno}' is stored yet. {did_you_mean(dyno, stored['dyno'])}".strip()
        )
    if dyno is None and not of_dyno.is_empty():
        dyno, several = _commonest(of_dyno, "dyno")
        if several:
            notes.append(f"Planned for dyno '{dyno}', where most pulls are; --dyno names another.")
        of_dyno = of_dyno.filter(dyno=dyno)
    if engine is None and not of_dyno.is_empty():
        fitting = of_dyno if baseline is None else of_dyno.filter(setup=baseline)
        engine, several = _commonest(of_dyno if fitting.is_empty() else fitting, "engine")
        if several:
            notes.append(
                f"Planned for engine '{engine}', of which most pulls are; --engine names another."
            )
    return Scope(engine=engine, dyno=dyno, notes=tuple(notes))


def _commonest(pulls: pl.DataFrame, label: str) -> tuple[str, bool]:
    """Return the label most pulls have, the first by name among equals, and whether others are."""
    counts = pulls.group_by(label).len().sort(["len", label], descending=[True, False])
    return str(counts[label][0]), counts.height > 1


def latest(pulls: pl.DataFrame, scope: Scope) -> pl.DataFrame:
    """Return the pulls stored last, those of the engine first: a cell of years ago was another.

    Args:
        pulls: One row an accepted pull on the dyno, in the order of storing.
        scope: The engine planned for.
    """
    is_mine = pl.col("engine").eq_missing(pl.lit(scope.engine, dtype=pl.String))
    mine = pulls.filter(is_mine).tail(MOST_SCOPE)
    others = pulls.filter(~is_mine).tail(MOST_SCOPE - mine.height)
    return pulls.filter(pl.col("pull").is_in([*mine["pull"], *others["pull"]]))


def cut_to_plan(curves: CurveSet, engine: str | None, band: tuple[float, float] | None) -> CurveSet:
    """Cut curves to the band planned for.

    Args:
        curves: Accepted pulls on the dyno.
        engine: The engine planned for.
        band: First and last engine speed asked for, rpm; None for what most pulls of the engine
            cover (of the dyno where there is none of the engine).

    Raises:
        AnalysisError: The band holds fewer than four grid speeds with pulls.
    """
    own = np.array([name == engine for name in curves.engine], dtype=np.bool_)
    known = np.isfinite(curves.log_torque[own] if own.any() else curves.log_torque)
    usual = _longest_run(curves, known.mean(axis=0) >= MOST_OF_THEM)
    if band is not None:
        low, high = band
        usual = (curves.rpm >= low) & (curves.rpm <= high) & np.any(known, axis=0)
    if usual.sum() < LEAST_SPEEDS:
        covered = curves.rpm[np.any(known, axis=0)]
        raise AnalysisError(
            "the band planned for holds fewer than four grid speeds (50 rpm apart) with pulls",
            where="--band",
            mend=f"Stored pulls cover {covered[0]:g}:{covered[-1]:g} rpm."
            if covered.size
            else "Ingest pulls of this engine first.",
        )
    within = curves.within(usual)
    some: Flags = np.any(np.isfinite(within.log_torque), axis=1)
    return within.take(some)


def _longest_run(curves: CurveSet, flags: Flags) -> Flags:
    kept = np.zeros_like(flags)
    at = np.flatnonzero(flags)
    if at.size:
        step = float(np.diff(curves.rpm).min()) if len(curves.rpm) > 1 else 1.0
        runs = np.split(at, np.flatnonzero(np.diff(curves.rpm[at]) > 1.5 * step) + 1)
        kept[max(runs, key=len)] = True
    return kept
