"""A linear model with a random intercept a group, such as a session: REML, Satterthwaite.

statsmodels fits it; its normal-theory p values, which are wrong with few groups, are replaced.

Sources: Patterson & Thompson (1971), Biometrika 58:545, REML; Fai & Cornelius (1996), J.
Statistical Computation and Simulation 54:363, for the degrees of freedom, in the form of
Kuznetsova, Brockhoff & Christensen (2017), J. Statistical Software 82(13).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError

# A group variance below this share of the residual's is none.
NO_VARIANCE = 1e-6
# Relative step of numerical derivatives by the variances.
STEP = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """Coefficients with their covariance, and the variances.

    Args:
        coefficients: Shape (columns,).
        covariance: Shape (columns, columns).
        df: Satterthwaite's degrees of freedom, shape (columns,).
        group_variance: Variance of the groups' intercepts.
        residual_variance: Variance of the rows about them.
        groups: Number of groups.
        rows: Number of rows.
    """

    coefficients: Floats
    covariance: Floats
    df: Floats
    group_variance: float
    residual_variance: float
    groups: int
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    """What the likelihood needs: whole sums, and each group's totals of columns and response."""

    products: Floats
    moments: Floats
    squares: float
    column_totals: Floats
    response_totals: Floats
    sizes: Floats


def fit_mixed(columns: Floats, response: Floats, group: Ints) -> MixedFit:
    """Fit by REML.

    Args:
        columns: Shape (rows, columns).
        response: Shape (rows,).
        group: Number of each row's group, shape (rows,).

    Raises:
        AnalysisError: There are fewer than two groups, or no row to spare.
    """
    groups = len(np.unique(group))
    if groups < 2 or len(response) <= columns.shape[1] + 1:
        raise AnalysisError(
            f"a model with a random intercept needs two groups and rows to spare; there are "
            f"{groups} groups, {len(response)} rows and {columns.shape[1]} columns",
            mend="Use more pulls, or errors='cluster'.",
        )
    residual, between = _variances(columns, response, group)
    sums = _sum(columns, response, group)
    theta = np.array([residual, between])
    covariance, coefficients = _solve(sums, theta)
    if between <= NO_VARIANCE * residual:
        df = np.full(columns.shape[1], float(len(response) - columns.shape[1]))
    else:
        df = _satterthwaite(sums, theta, columns.shape[1])
    return MixedFit(
        coefficients=coefficients,
        covariance=covariance,
        df=df,
        group_variance=between,
        residual_variance=residual,
        groups=groups,
        rows=len(response),
    )


def _variances(columns: Floats, response: Floats, group: Ints) -> tuple[float, float]:
    from statsmodels.regression.mixed_linear_model import MixedLM  # noqa: PLC0415 - 2 s

    # The response is scaled: the search's tolerances are made for numbers about one.
    scale = float(np.std(response)) or 1.0
    with warnings.catch_warnings():
        # It warns of a variance at zero, which is an answer here.
        warnings.simplefilter("ignore")
        fit = MixedLM(response / scale, columns, groups=group).fit(reml=True)
    residual = float(fit.scale) * scale**2
    return residual, float(np.asarray(fit.cov_re)[0, 0]) * scale**2


def _sum(columns: Floats, response: Floats, group: Ints) -> _Sums:
    _, codes = np.unique(group, return_inverse=True)
    count = int(codes.max()) + 1
    totals = np.zeros((count, columns.shape[1]))
    np.add.at(totals, codes, columns)
    return _Sums(
        products=columns.T @ columns,
        moments=columns.T @ response,
        squares=float(response @ response),
        column_totals=totals,
        response_totals=np.bincount(codes, weights=response).astype(np.float64),
        sizes=np.bincount(codes).astype(np.float64),
    )


def _weighted(sums: _Sums, theta: Floats) -> tuple[Floats, Floats, float]:
    """Return X'V^-1 X, X'V^-1 y and y'V^-1 y for variances (residual, group)."""
    residual, between = theta
    shrink = between / (residual + sums.sizes * between)
    T, t = sums.column_totals, sums.response_totals
    products = (sums.products - (T * shrink[:, None]).T @ T) / residual
    moments = (sums.moments - T.T @ (shrink * t)) / residual
    return products, moments, float(sums.squares - (shrink * t) @ t) / residual


def _solve(sums: _Sums, theta: Floats) -> tuple[Floats, Floats]:
    products, moments, _ = _weighted(sums, theta)
    covariance = np.asarray(np.linalg.inv(products), dtype=np.float64)
    return covariance, covariance @ moments


def _deviance(sums: _Sums, theta: Floats) -> float:
    """Return minus twice the restricted log likelihood, but for a constant."""
    residual, between = theta
    products, moments, squares = _weighted(sums, theta)
    log_det = float(
        ((sums.sizes - 1.0) * np.log(residual)).sum()
        + np.log(residual + sums.sizes * between).sum()
    )
    left = squares - float(moments @ np.linalg.solve(products, moments))
    return log_det + float(np.linalg.slogdet(products)[1]) + left


def _satterthwaite(sums: _Sums, theta: Floats, columns: int) -> Floats:
    """Return 2 v^2 / (g' A g) of each coefficient.

    v is its variance, g the gradient of that by the two variances, A their own covariance, from the
    curvature of the likelihood.
    """
    steps = STEP * theta
    curvature = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            curvature[i, j] = _second_difference(sums, theta, steps, i, j)
    spread = 2.0 * np.linalg.inv(curvature)
    gradient = np.empty((2, columns))
    for i in range(2):
        up, down = theta.copy(), theta.copy()
        up[i] += steps[i]
        down[i] -= steps[i]
        gradient[i] = np.diag(_solve(sums, up)[0] - _solve(sums, down)[0]) / (2.0 * steps[i])
    variance = np.diag(_solve(sums, theta)[0])
    return 2.0 * variance**2 / np.einsum("ik,ij,jk->k", gradient, spread, gradient)


def _second_difference(sums: _Sums, theta: Floats, steps: Floats, i: int, j: int) -> float:
    total = 0.0
    for a in (-1.0, 1.0):
        for b in (-1.0, 1.0):
            point = theta.copy()
            point[i] += a * steps[i]
            point[j] += b * steps[j]
            total += a * b * _deviance(sums, point)
    return total / (4.0 * steps[i] * steps[j])
