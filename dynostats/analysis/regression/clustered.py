"""A cluster-robust fit told as a regression, with what the reader must know of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.regression import refusals
from dynostats.analysis.regression.clusters import ClusterFit
from dynostats.analysis.regression.result import Regression, table_of
from dynostats.analysis.regression.structure import PULL, SESSION, Structure
from dynostats.arrays import Floats

# With fewer, Student's t is only roughly right (Pustejovsky & Tipton 2018; Tipton 2015,
# Psychological Methods 20:375, from memory).
SOUND_DF = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked of a cluster-robust fit.

    Args:
        formula: The formula.
        structure: Which rows share what.
        columns: Columns of the rows.
        alpha: One less the level of the intervals.
        left_out: Rows left out.
    """

    formula: str
    structure: Structure
    columns: Iterable[str]
    alpha: float
    left_out: int


def of_clusters(
    fit: ClusterFit,
    names: tuple[str, ...],
    asked: Asked,
    *,
    spare: int,
    p_values: Floats | None = None,
) -> Regression:
    """Return a cluster-robust fit as a regression.

    Args:
        fit: The fit.
        names: What its coefficients are.
        asked: What was asked.
        spare: Rows beyond what was fitted.
        p_values: Of the bootstrap, in the place of Student's t.

    Raises:
        AnalysisError: A single cluster determines a coefficient.
    """
    shared = asked.structure
    refusals.require_told(fit, names, by=shared.by)
    return Regression(
        formula=asked.formula,
        errors="cr2" if p_values is None else "wild",
        by=shared.by,
        within=shared.within,
        alpha=asked.alpha,
        table=table_of(
            names,
            fit.coefficients,
            fit.standard_errors,
            fit.df,
            alpha=asked.alpha,
            p_values=p_values,
        ),
        rows=fit.rows,
        left_out=asked.left_out,
        groups=fit.clusters,
        sds={"residual": float(np.sqrt(max(fit.residual_squares, 0.0) / spare))},
        notes=(
            *left_out(asked.left_out),
            *_of_structure(shared, asked.columns),
            *weak(names, fit.df),
            *([_WILD] if p_values is not None else []),
        ),
    )


_WILD = (
    "p values are of the wild cluster bootstrap, the null imposed; the intervals are by CR2 and "
    "Satterthwaite, so that the two may differ."
)


def left_out(count: int) -> tuple[str, ...]:
    """Return the note on rows that lack a value, if there are any."""
    return (f"{count} rows were left out for want of a value.",) if count else ()


def _of_structure(shared: Structure, columns: Iterable[str]) -> tuple[str, ...]:
    if shared.within:
        return (
            (
                f"Each {shared.within} has a level of its own, which is taken out: terms are told "
                f"by differences within {shared.within}s, and there is no intercept."
            ),
        )
    if shared.by == PULL and SESSION in columns:
        return (
            (
                "What the pulls of one session share is not in these errors: terms that differ "
                "between sessions look surer than they are."
            ),
        )
    return ()


def weak(names: tuple[str, ...], df: Floats) -> tuple[str, ...]:
    """Return the note on coefficients with few degrees of freedom, if there are any."""
    few = [f"{name} ({of:.1f})" for name, of in zip(names, df, strict=True) if of < SOUND_DF]
    if not few:
        return ()
    return (
        (
            f"Fewer than {SOUND_DF:.0f} degrees of freedom stand behind {', '.join(few)}: "
            "intervals and p values there are rough."
        ),
    )
