"""Open regression: a formula, a frame, and errors that hold."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

import numpy as np
import polars as pl

from dynostats.analysis.regression import refusals
from dynostats.analysis.regression.clusters import (
    ClusterFit,
    ClusterSums,
    fit_clusters,
    sum_clusters,
)
from dynostats.analysis.regression.formula import INTERCEPT, Design, make_design
from dynostats.analysis.regression.levels import about_levels
from dynostats.analysis.regression.mixed import fit_mixed
from dynostats.analysis.regression.result import Errors, Regression, table_of
from dynostats.analysis.regression.wild import wild_p_values
from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError, InputError

PULL, SESSION, SETUP = "pull", "session", "setup"
# With fewer, Student's t is only roughly right (Pustejovsky & Tipton 2018; Tipton 2015,
# Psychological Methods 20:375, from memory).
SOUND_DF = 4.0


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


def regress(
    formula: str,
    frame: pl.DataFrame,
    *,
    errors: Errors = "cr2",
    by: str | None = None,
    alpha: float = 0.05,
) -> Regression:
    """Regress by a formula.

    Args:
        formula: Response ~ terms, as formulaic reads them.
        frame: One row an observation.
        errors: "cr2" for least squares with errors that hold whatever the rows of a cluster have in
            common (Satterthwaite's degrees of freedom); "wild" for the same with p values of the
            wild cluster bootstrap; "mixed" for random levels (REML); "independent" for rows that
            share nothing.
        by: Column of the clusters, or of the random level; None for the warehouse's own structure:
            pulls, and the sessions above them. A session then has a level of its own, which is
            taken out, or random with "mixed".
        alpha: One less the level of the intervals.

    Raises:
        InputError: The formula or an option cannot be read, or names an unknown column.
        AnalysisError: The rows do not allow the fit: too few clusters, a term that does not vary
            or follows from others, a setup that changed in one or two sessions only.
    """
    require_options(errors, alpha)
    if errors == "independent":
        return _independent(make_design(formula, frame), formula, alpha)
    shared = structure_of(frame.columns, by)
    extra = {SETUP, SESSION} & set(frame.columns)
    also = (*shared.columns, *extra) if extra == {SETUP, SESSION} else shared.columns
    design = make_design(formula, frame, also=also)
    if errors == "mixed":
        return _mixed(design, shared, formula, alpha)
    if SETUP in design.variables and extra == {SETUP, SESSION}:
        refusals.require_setups_change(design.frame, within=bool(shared.within))
    clusters = codes(design.frame, shared.by)
    refusals.require_clusters(int(clusters.max()) + 1, shared.by)
    rows = _basis_of(design, shared)
    sums = rows.sums(clusters)
    return of_clusters(
        fit_clusters(sums, wanted=rows.back),
        rows.names,
        Asked(
            formula=formula,
            structure=shared,
            columns=design.frame.columns,
            alpha=alpha,
            left_out=design.left_out,
        ),
        spare=sums.spare,
        p_values=wild_p_values(sums, wanted=rows.back) if errors == "wild" else None,
    )


def require_options(errors: str, alpha: float) -> None:
    """Do nothing if the options are good.

    Raises:
        InputError: One is not.
    """
    if errors not in get_args(Errors):
        known = ", ".join(get_args(Errors))
        raise InputError(f"errors is '{errors}'; it must be one of {known}", where="errors")
    if not 0.0 < alpha < 1.0:
        raise InputError(
            f"alpha is {alpha:g}; it must lie between 0 and 1, for example 0.05", where="alpha"
        )


def codes(frame: pl.DataFrame, name: str) -> Ints:
    """Return the number of each row's group by a column, from 0, shape (rows,)."""
    return (frame[name].rank("dense") - 1).to_numpy().astype(np.intp)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Basis:
    """Orthonormal columns of the formula's space, levels taken out.

    Args:
        names: What each coefficient is.
        columns: Shape (rows, columns).
        back: What turns coefficients of them into the formula's, shape (columns, columns).
        response: Shape (rows,), levels taken out.
        level: Number of each row's level; None for none.
    """

    names: tuple[str, ...]
    columns: Floats
    back: Floats
    response: Floats
    level: Ints | None

    def sums(self, clusters: Ints) -> ClusterSums:
        """Return the sums of each cluster."""
        if self.level is None:
            return sum_clusters(self.columns, self.response, clusters)
        root = 1.0 / np.sqrt(np.bincount(self.level))
        summed = sum_clusters(
            np.column_stack((root[self.level], self.columns)), self.response, clusters
        )
        above = np.zeros(len(summed), dtype=np.intp)
        above[clusters] = self.level
        return ClusterSums(
            products=summed.products,
            moments=summed.moments,
            squares=summed.squares,
            rows=summed.rows,
            level=above,
        )


def _basis_of(design: Design, shared: Structure | None) -> _Basis:
    """Return the orthonormal columns of a design.

    Raises:
        InputError: A cluster lies in several levels.
        AnalysisError: A column does not vary within the levels, or follows from others.
    """
    names, columns, response, level = design.names, design.columns, design.response, None
    if shared is not None and shared.within:
        level = codes(design.frame, shared.within)
        require_nested(design.frame, shared)
        before = np.linalg.norm(columns - columns.mean(axis=0), axis=0)
        columns, response = about_levels(columns, level), about_levels(response, level)
        after = np.linalg.norm(columns, axis=0)
        refusals.require_inside(names, before, after, within=shared.within)
    elif design.intercept:
        names = (INTERCEPT, *names)
        columns = np.column_stack((np.ones(len(columns)), columns))
    levels = 0 if level is None else int(level.max()) + 1
    refusals.require_spare(len(response), len(names), levels)
    length = np.linalg.norm(columns, axis=0)
    refusals.require_independent(names, columns / length)
    basis, upper = np.linalg.qr(columns / length)
    back = np.linalg.inv(upper) / length[:, None]
    return _Basis(names=names, columns=basis, back=back, response=response, level=level)


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


def _independent(design: Design, formula: str, alpha: float) -> Regression:
    rows = _basis_of(design, None)
    coefficients = rows.columns.T @ rows.response
    left = rows.response - rows.columns @ coefficients
    spare = len(left) - len(rows.names)
    deviation = float(np.linalg.norm(left)) / np.sqrt(spare)
    return Regression(
        formula=formula,
        errors="independent",
        by="",
        within="",
        alpha=alpha,
        table=table_of(
            rows.names,
            rows.back @ coefficients,
            deviation * np.linalg.norm(rows.back, axis=1),
            np.full(len(rows.names), float(spare)),
            alpha=alpha,
        ),
        rows=len(left),
        left_out=design.left_out,
        groups=len(left),
        sds={"residual": float(deviation)},
        notes=_left_out(design.left_out),
    )


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
            *_left_out(asked.left_out),
            *_of_structure(shared, asked.columns),
            *_weak(names, fit.df),
            *([_WILD] if p_values is not None else []),
        ),
    )


_WILD = (
    "p values are of the wild cluster bootstrap, the null imposed; the intervals are by CR2 and "
    "Satterthwaite, so that the two may differ."
)


def _left_out(count: int) -> tuple[str, ...]:
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


def _weak(names: tuple[str, ...], df: Floats) -> tuple[str, ...]:
    few = [f"{name} ({of:.1f})" for name, of in zip(names, df, strict=True) if of < SOUND_DF]
    if not few:
        return ()
    return (
        (
            f"Fewer than {SOUND_DF:.0f} degrees of freedom stand behind {', '.join(few)}: "
            "intervals and p values there are rough."
        ),
    )


_ALONG = (
    "Rows of a pull are taken as independent about its level. Where errors follow engine speed, "
    "terms that vary along a pull look surer than they are; errors='cr2' holds there."
)


def _mixed(design: Design, shared: Structure, formula: str, alpha: float) -> Regression:
    basis = _basis_of(design, None)
    if shared.within:
        require_nested(design.frame, shared)
    layers, notes = _layers(design.frame, shared)
    (_, inner), *above = layers
    outer = above[0][1] if above else None
    fit = fit_mixed(basis.columns, basis.response, inner, outer, wanted=basis.back)
    names = ("residual", *(name for name, _ in layers))
    variances = (fit.residual_variance, *fit.group_variances)
    sds = {name: float(np.sqrt(value)) for name, value in zip(names, variances, strict=True)}
    none = [name for name, sd in sds.items() if sd == 0.0]
    return Regression(
        formula=formula,
        errors="mixed",
        by=shared.by,
        within=shared.within,
        alpha=alpha,
        table=table_of(
            basis.names,
            fit.coefficients,
            np.sqrt(np.diag(fit.covariance)),
            fit.df,
            alpha=alpha,
        ),
        rows=fit.rows,
        left_out=design.left_out,
        groups=int(codes(design.frame, shared.by).max()) + 1,
        sds=sds,
        notes=(
            *_left_out(design.left_out),
            *notes,
            *(f"No scatter of the level from {name} to {name} was found." for name in none),
            *([_ALONG] if names[1] == PULL else []),
            *_weak(basis.names, fit.df),
        ),
    )


def _layers(
    frame: pl.DataFrame, shared: Structure
) -> tuple[list[tuple[str, Ints]], tuple[str, ...]]:
    """Return the random levels, inner first, and what was left out of them and why.

    Raises:
        AnalysisError: None is left.
    """
    layers: list[tuple[str, Ints]] = []
    notes: list[str] = []
    for name in shared.columns:
        number = codes(frame, name)
        groups = int(number.max()) + 1
        if groups == 1:
            notes.append(f"There is one {name}: nothing tells its level from the intercept.")
        elif groups < len(number):  # with a row each, its scatter is the residuals'
            layers.append((name, number))
    if not layers:
        raise AnalysisError(
            f"no random level is left: no {shared.by} has several rows, or there is one only",
            where="errors",
            mend="Use rows of several pulls, or errors='independent' where rows share nothing.",
        )
    return layers, tuple(notes)
