"""Open regression: a formula, a frame, and errors that hold."""

from __future__ import annotations

from typing import get_args

import numpy as np
import polars as pl

from dynostats.analysis.regression import refusals
from dynostats.analysis.regression.basis import basis_of
from dynostats.analysis.regression.clustered import Asked, left_out, of_clusters, weak
from dynostats.analysis.regression.clusters import fit_clusters
from dynostats.analysis.regression.formula import Design, make_design
from dynostats.analysis.regression.mixed import fit_mixed
from dynostats.analysis.regression.result import Errors, Regression, table_of
from dynostats.analysis.regression.structure import (
    PULL,
    SESSION,
    SETUP,
    Structure,
    codes,
    require_nested,
    structure_of,
)
from dynostats.analysis.regression.wild import wild_p_values
from dynostats.arrays import Ints
from dynostats.errors import AnalysisError, InputError


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
        also = (PULL,) if PULL in frame.columns else ()
        return _independent(make_design(formula, frame, also=also), formula, alpha)
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
    rows = basis_of(design, shared)
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


def _independent(design: Design, formula: str, alpha: float) -> Regression:
    rows = basis_of(design, None)
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
        notes=(*left_out(design.left_out), *_strangers(design.frame)),
    )


def _strangers(frame: pl.DataFrame) -> tuple[str, ...]:
    if PULL not in frame.columns or frame[PULL].is_unique().all():
        return ()
    return (
        (
            "The rows of a pull are taken as strangers to each other, which they are not: every "
            "term looks surer than it is. errors='cr2' holds."
        ),
    )


_ALONG = (
    "Rows of a pull are taken as independent about its level. Where errors follow engine speed, "
    "terms that vary along a pull look surer than they are; errors='cr2' holds there."
)


def _mixed(design: Design, shared: Structure, formula: str, alpha: float) -> Regression:
    basis = basis_of(design, None)
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
            *left_out(design.left_out),
            *notes,
            *(f"No scatter of the level from {name} to {name} was found." for name in none),
            *([_ALONG] if names[1] == PULL else []),
            *weak(basis.names, fit.df),
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
