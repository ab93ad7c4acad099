"""Open regression: a formula, a frame, and errors that hold."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from dynostats.analysis.regression.clusters import ClusterFit, fit_clusters, sum_clusters
from dynostats.analysis.regression.formula import Design, make_design
from dynostats.analysis.regression.mixed import fit_mixed
from dynostats.analysis.regression.wild import wild_p_values
from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError, InputError

Errors = Literal["mixed", "cluster", "wild", "independent"]

# Of a column of unit length, less than this is left when the columns before it are taken out.
DEPENDENT = 1e-9
WILD_NOTE = (
    "p values are of the wild cluster bootstrap, null imposed; intervals are by CR2 and "
    "Satterthwaite, so that the two may differ."
)
_COLUMNS = ("term", "estimate", "se", "df", "low", "high", "p_value")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Regression:
    """A regression with its errors.

    Args:
        formula: What was asked.
        errors: How the errors were reckoned: "mixed", "cluster", "wild" or "independent".
        by: Column whose rows share an error; "" where none do.
        alpha: One less the level of the intervals.
        table: One row a term: term, estimate, se, df, low, high, p_value.
        rows: Rows used.
        left_out: Rows left out for want of a value.
        groups: Number of distinct values of `by`.
        residual_sd: Standard deviation of the residuals, in the response's unit.
        group_sd: Of the groups' own intercepts; None but for "mixed".
        notes: What the reader must know.
    """

    formula: str
    errors: Errors
    by: str
    alpha: float
    table: pl.DataFrame
    rows: int
    left_out: int
    groups: int
    residual_sd: float
    group_sd: float | None
    notes: tuple[str, ...] = field(default=())

    def to_dict(self) -> dict[str, object]:
        """Return the regression as plain values."""
        return {
            "formula": self.formula,
            "errors": self.errors,
            "by": self.by,
            "alpha": self.alpha,
            "terms": self.table.to_dicts(),
            "rows": self.rows,
            "left_out": self.left_out,
            "groups": self.groups,
            "residual_sd": self.residual_sd,
            "group_sd": self.group_sd,
            "notes": list(self.notes),
        }


def regress(
    formula: str,
    frame: pl.DataFrame,
    *,
    errors: Errors = "mixed",
    by: str = "session",
    alpha: float = 0.05,
) -> Regression:
    """Regress by a formula.

    Args:
        formula: Response ~ terms, as formulaic reads them.
        frame: One row an observation.
        errors: "mixed" for a random intercept of each group and independent rows about it (REML,
            Satterthwaite's degrees of freedom); "cluster" for least squares whose errors hold
            whatever rows of a group have in common (CR2, likewise); "wild" for the same with p
            values from the wild cluster bootstrap; "independent" for rows that share nothing.
        by: Column of the groups.
        alpha: One less the level of the intervals.

    Raises:
        InputError: The formula or an option cannot be read.
        AnalysisError: The rows do not allow the fit.
    """
    _require(errors, alpha)
    if errors == "independent":
        return _independent(make_design(formula, frame), frame.height, formula=formula, alpha=alpha)
    design = make_design(formula, frame, also=(by,))
    groups = _codes(design.frame[by])
    left_out = frame.height - len(design.kept)
    if errors == "mixed":
        return _mixed(design, groups, formula=formula, by=by, alpha=alpha, left_out=left_out)
    basis, back = _orthogonal(design)
    return of_clusters(
        fit_clusters(sum_clusters(basis, design.response, groups), wanted=back),
        design.names,
        formula=formula,
        by=by,
        alpha=alpha,
        left_out=left_out,
        p_values=_wild(design, groups) if errors == "wild" else None,
    )


def _orthogonal(design: Design) -> tuple[Floats, Floats]:
    """Return orthonormal columns of the same space, and what turns their coefficients back.

    Raises:
        AnalysisError: The columns are dependent.
    """
    length = np.sqrt((design.columns**2).sum(axis=0))
    scaled = design.columns / np.where(length > 0, length, 1.0)
    basis, upper = np.linalg.qr(scaled)
    size = np.abs(np.diag(upper))
    if basis.shape[1] < len(design.names) or size.min(initial=1.0) < DEPENDENT:
        at = int(np.argmin(size)) if basis.shape[1] == len(design.names) else len(size) - 1
        raise AnalysisError(
            f"the others make the column {design.names[at]}: its coefficient means nothing",
            where="formula",
            mend="Leave it out, or take a level or a term away.",
        )
    return basis, np.linalg.inv(upper) / length[:, None]


def _wild(design: Design, groups: Ints) -> Floats:
    length = np.sqrt((design.columns**2).sum(axis=0))
    return wild_p_values(sum_clusters(design.columns / length, design.response, groups))


def _independent(design: Design, rows: int, *, formula: str, alpha: float) -> Regression:
    basis, back = _orthogonal(design)
    coefficients = basis.T @ design.response
    spare = len(design.response) - len(design.names)
    if spare < 1:
        raise AnalysisError(
            f"{len(design.response)} rows cannot tell {len(design.names)} coefficients and a noise",
            where="formula",
            mend="Use more rows or fewer terms.",
        )
    left = design.response - basis @ coefficients
    variance = float(left @ left) / spare
    return Regression(
        formula=formula,
        errors="independent",
        by="",
        alpha=alpha,
        table=_table(
            design.names,
            back @ coefficients,
            np.sqrt(variance * (back**2).sum(axis=1)),
            np.full(len(design.names), float(spare)),
            alpha=alpha,
        ),
        rows=len(design.response),
        left_out=rows - len(design.response),
        groups=len(design.response),
        residual_sd=float(np.sqrt(variance)),
        group_sd=None,
    )


def of_clusters(
    fit: ClusterFit,
    names: tuple[str, ...],
    *,
    formula: str,
    by: str,
    alpha: float,
    left_out: int,
    p_values: Floats | None = None,
) -> Regression:
    """Return a cluster-robust fit as a regression.

    Args:
        fit: The fit.
        names: What its columns are.
        formula: What was asked.
        by: Column of the clusters.
        alpha: One less the level of the intervals.
        left_out: Rows left out.
        p_values: Bootstrap p values in the place of Student's t.
    """
    notes: tuple[str, ...] = ()
    if p_values is not None:
        notes = (WILD_NOTE,)
    spare = max(fit.rows - len(names), 1)
    return Regression(
        formula=formula,
        errors="cluster" if p_values is None else "wild",
        by=by,
        alpha=alpha,
        table=_table(
            names,
            fit.coefficients,
            fit.standard_errors,
            fit.df,
            alpha=alpha,
            p_values=p_values,
        ),
        rows=fit.rows,
        left_out=left_out,
        groups=fit.clusters,
        residual_sd=float(np.sqrt(max(fit.residual_squares, 0.0) / spare)),
        group_sd=None,
        notes=notes,
    )


def _mixed(
    design: Design, groups: Ints, *, formula: str, by: str, alpha: float, left_out: int
) -> Regression:
    _orthogonal(design)  # refuses dependent columns by name
    fit = fit_mixed(design.columns, design.response, groups)
    notes: tuple[str, ...] = ()
    if fit.group_variance == 0.0:
        notes = (f"No variance between {by}s was found; the rows count as independent.",)
    return Regression(
        formula=formula,
        errors="mixed",
        by=by,
        alpha=alpha,
        table=_table(
            design.names,
            fit.coefficients,
            np.sqrt(np.diag(fit.covariance)),
            fit.df,
            alpha=alpha,
        ),
        rows=fit.rows,
        left_out=left_out,
        groups=fit.groups,
        residual_sd=float(np.sqrt(fit.residual_variance)),
        group_sd=float(np.sqrt(fit.group_variance)),
        notes=notes,
    )


def _table(
    names: tuple[str, ...],
    estimate: Floats,
    error: Floats,
    df: Floats,
    *,
    alpha: float,
    p_values: Floats | None = None,
) -> pl.DataFrame:
    half = stdtrit(df, 1.0 - alpha / 2.0) * error
    safe = np.where(error > 0, error, 1.0)
    by_t = np.where(error > 0, 2.0 * stdtr(df, -np.abs(estimate) / safe), 0.0)
    columns = (
        list(names),
        estimate,
        error,
        df,
        estimate - half,
        estimate + half,
        by_t if p_values is None else p_values,
    )
    return pl.DataFrame(dict(zip(_COLUMNS, columns, strict=True)))


def _codes(labels: pl.Series) -> Ints:
    return labels.cast(pl.String).rank("dense").to_numpy().astype(np.intp)


def _require(errors: str, alpha: float) -> None:
    if errors not in get_args(Errors):
        known = ", ".join(get_args(Errors))
        raise InputError(f"errors is '{errors}'; it must be one of {known}", where="errors")
    if not 0.0 < alpha < 1.0:
        raise InputError(
            f"alpha is {alpha:g}; it must lie between 0 and 1, for example 0.05", where="alpha"
        )
