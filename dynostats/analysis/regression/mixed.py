"""A linear model with random levels of groups, pulls and the sessions above them: REML.

statsmodels finds the variances; its normal-theory p values, which are wrong with few groups, give
way to Student's t with Satterthwaite's degrees of freedom.

Sources: Patterson & Thompson (1971), Biometrika 58:545, REML; Fai & Cornelius (1996), J.
Statistical Computation and Simulation 54:363, for the degrees of freedom, in the form of
Kuznetsova, Brockhoff & Christensen (2017), J. Statistical Software 82(13).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from dynostats.analysis.regression.levels import about_levels, level_totals
from dynostats.arrays import Flags, Floats, Ints
from dynostats.errors import AnalysisError

# A group variance below this share of the residual's is none.
NO_VARIANCE = 1e-6
# A search starts with each group variance at no less than this share of the residual's.
SMALL = 1e-3
# Relative steps of numerical derivatives by the variances: second ones lose twice the digits.
STEP = 1e-3
SLOPE_STEP = 1e-5
# Newton steps from where the search stopped: they settle the last digits.
NEWTON_STEPS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """Coefficients with their covariance, and the variances.

    Args:
        coefficients: Shape (columns,).
        covariance: Shape (columns, columns).
        df: Satterthwaite's degrees of freedom, shape (columns,).
        residual_variance: Variance of the rows about their groups' levels.
        group_variances: Of the inner groups' levels, and of the outer's if there are any.
        rows: Number of rows.
    """

    coefficients: Floats
    covariance: Floats
    df: Floats
    residual_variance: float
    group_variances: tuple[float, ...]
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    """What the likelihood needs of the columns and, last, the response.

    Args:
        inside: Cross-products about the inner groups' means, shape (columns + 1, columns + 1).
        means: Of the inner groups, shape (groups, columns + 1).
        sizes: Their numbers of rows, shape (groups,).
        outer: The outer group of each; None for none.
    """

    inside: Floats
    means: Floats
    sizes: Floats
    outer: Ints | None


def fit_mixed(
    columns: Floats,
    response: Floats,
    inner: Ints,
    outer: Ints | None = None,
    *,
    wanted: Floats | None = None,
) -> MixedFit:
    """Fit by REML.

    Args:
        columns: Shape (rows, columns), the intercept's among them.
        response: Shape (rows,).
        inner: Number of each row's group, such as its pull, from 0, shape (rows,).
        outer: Of the larger group that group lies in, such as its session; None for none.
        wanted: What is asked of the coefficients, a row each, shape (wanted, columns); None for the
            coefficients themselves.

    Raises:
        AnalysisError: There are fewer than two groups, no row to spare, or the likelihood has no
            clear maximum.
    """
    groups = min(int(of.max()) + 1 for of in (inner, outer) if of is not None)
    if groups < 2 or len(response) <= columns.shape[1] + 2:
        raise AnalysisError(
            f"a mixed model needs two groups and rows to spare; there are {groups} groups, "
            f"{len(response)} rows and {columns.shape[1]} coefficients",
            where="errors",
            mend="Use more pulls, or fewer terms.",
        )
    # What least squares leaves has the same likelihood, and loses no digits to a large mean; the
    # tolerances of a search are made for numbers about one.
    rough = np.linalg.lstsq(columns, response, rcond=None)[0]
    left = response - columns @ rough
    scale = float(np.std(left)) or 1.0
    sums = _sum(columns, left / scale, inner, outer)
    theta = _settle(sums, _search(columns, left / scale, inner, outer))
    covariance, coefficients = _solve(sums, theta)
    asked = np.eye(len(coefficients)) if wanted is None else wanted
    variances = theta * scale**2
    return MixedFit(
        coefficients=asked @ (rough + coefficients * scale),
        covariance=asked @ covariance @ asked.T * scale**2,
        df=_satterthwaite(sums, theta, asked, len(response)),
        residual_variance=float(variances[0]),
        group_variances=tuple(float(value) for value in variances[1:]),
        rows=len(response),
    )


def _search(columns: Floats, response: Floats, inner: Ints, outer: Ints | None) -> Floats:
    """Return the variances that statsmodels finds: of the residual, inner and outer groups."""
    # Importing it costs 2 s, so that only who asks for a mixed model pays.
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec  # noqa: PLC0415

    with warnings.catch_warnings():
        # It warns of a variance at zero, which is an answer here.
        warnings.simplefilter("ignore")
        if outer is None:
            fit = MixedLM(response, columns, groups=inner).fit(reml=True)
            found = [fit.scale, fit.cov_re[0, 0]]
        else:
            parts = [inner[outer == group] for group in range(int(outer.max()) + 1)]
            names = [[str(one) for one in np.unique(part)] for part in parts]
            ones = [(part[:, None] == np.unique(part)).astype(np.float64) for part in parts]
            nested = VCSpec(["inner"], [names], [ones])
            fit = MixedLM(
                response, columns, groups=outer, exog_re=np.ones((len(outer), 1)), exog_vc=nested
            ).fit(reml=True)
            found = [fit.scale, fit.vcomp[0], fit.cov_re[0, 0]]
    return np.maximum(np.asarray(found, dtype=np.float64), 0.0)


def _sum(columns: Floats, response: Floats, inner: Ints, outer: Ints | None) -> _Sums:
    of_group = None
    if outer is not None:
        of_group = np.zeros(int(inner.max()) + 1, dtype=np.intp)
        of_group[inner] = outer
    both = np.column_stack((columns, response))
    about, sizes = about_levels(both, inner), np.bincount(inner).astype(np.float64)
    return _Sums(
        inside=about.T @ about,
        means=level_totals(both, inner) / sizes[:, None],
        sizes=sizes,
        outer=of_group,
    )


def _weighted(sums: _Sums, theta: Floats) -> tuple[Floats, Floats, float, float]:
    """Return X'V^-1 X, X'V^-1 y, y'V^-1 y and log |V|, layer by layer of groups."""
    residual, between = theta[:2]
    spread = residual + sums.sizes * between
    log_det = float(((sums.sizes - 1.0) * np.log(residual)).sum() + np.log(spread).sum())
    means, weight = sums.means, sums.sizes / spread
    products = sums.inside / residual
    if sums.outer is not None:
        whole = level_totals(weight, sums.outer)
        middle = level_totals(weight[:, None] * means, sums.outer) / whole[:, None]
        about = means - middle[sums.outer]
        products = products + (about * weight[:, None]).T @ about
        means, weight = middle, whole / (1.0 + theta[2] * whole)
        log_det += float(np.log1p(theta[2] * whole).sum())
    products = products + (means * weight[:, None]).T @ means
    return products[:-1, :-1], products[:-1, -1], float(products[-1, -1]), log_det


def _solve(sums: _Sums, theta: Floats) -> tuple[Floats, Floats]:
    products, moments, *_ = _weighted(sums, theta)
    covariance = np.asarray(np.linalg.inv(products), dtype=np.float64)
    return covariance, covariance @ moments


def _deviance(sums: _Sums, theta: Floats) -> float:
    """Return minus twice the restricted log likelihood, but for a constant."""
    products, moments, squares, log_det = _weighted(sums, theta)
    left = squares - float(moments @ np.linalg.solve(products, moments))
    return log_det + float(np.linalg.slogdet(products)[1]) + left


def _settle(sums: _Sums, start: Floats) -> Floats:
    """Return the variances of least deviance, from where a search stopped.

    It may have stopped short, or at zero: with few groups the likelihood is flat. So all are tried
    from above zero, then each at zero, and Newton steps settle the last digits.
    """
    start = np.maximum(start, SMALL * start[0])

    def of_logs(logs: Floats) -> float:
        return _deviance(sums, np.exp(logs))

    found = minimize(
        of_logs,
        np.log(start),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000},
    )
    theta = np.exp(np.asarray(found.x, dtype=np.float64))
    for place in range(1, len(theta)):
        none = np.where(np.arange(len(theta)) == place, 0.0, theta)
        if theta[place] <= NO_VARIANCE * theta[0] or _deviance(sums, none) < _deviance(sums, theta):
            theta = none
    return _polish(sums, theta)


def _polish(sums: _Sums, theta: Floats) -> Floats:
    """Return the variances after a few Newton steps; those at zero stay there."""
    free = theta > 0
    for _ in range(NEWTON_STEPS):
        slope, curvature = _derivatives(sums, theta, free)
        moved = theta.copy()
        moved[free] -= np.linalg.solve(curvature, slope)
        if not (moved[free] > 0).all() or _deviance(sums, moved) > _deviance(sums, theta):
            break
        theta = moved
    return theta


def _derivatives(sums: _Sums, theta: Floats, free: Flags) -> tuple[Floats, Floats]:
    """Return gradient and curvature of the deviance by the variances that are not zero."""
    places = [int(place) for place in np.flatnonzero(free)]
    steps = STEP * theta

    def at(*moves: tuple[int, float]) -> float:
        point = theta.copy()
        for place, sign in moves:
            point[place] += sign * steps[place]
        return _deviance(sums, point)

    near = SLOPE_STEP / STEP
    slope = np.array([(at((i, near)) - at((i, -near))) / (2.0 * near * steps[i]) for i in places])
    curvature = np.array(
        [
            [
                sum(a * b * at((i, a), (j, b)) for a in (-1.0, 1.0) for b in (-1.0, 1.0))
                / (4.0 * steps[i] * steps[j])
                for j in places
            ]
            for i in places
        ]
    )
    return slope, curvature


def _satterthwaite(sums: _Sums, theta: Floats, asked: Floats, rows: int) -> Floats:
    """Return 2 v^2 / (g' A g) of each thing asked.

    v is its variance, g the gradient of that by the variances, A their own covariance, from the
    curvature of the likelihood.
    """

    def variance_at(point: Floats) -> Floats:
        return np.einsum("ik,kl,il->i", asked, _solve(sums, point)[0], asked)

    variance = variance_at(theta)
    free = theta > 0
    if free.sum() == 1:
        return np.full(len(variance), float(rows - asked.shape[1]))
    curvature = _derivatives(sums, theta, free)[1]
    if not (np.linalg.eigvalsh(curvature) > 0).all():
        raise AnalysisError(
            "the pulls do not tell the variances of a mixed model apart",
            where="errors",
            mend="Use more pulls or sessions, fewer terms, or errors='cr2'.",
        )
    spread = 2.0 * np.linalg.inv(curvature)
    gradient = np.empty((int(free.sum()), len(variance)))
    for row, place in enumerate(np.flatnonzero(free)):
        step = np.zeros_like(theta)
        step[place] = STEP * theta[place]
        change = variance_at(theta + step) - variance_at(theta - step)
        gradient[row] = change / (2.0 * step[place])
    return 2.0 * variance**2 / np.einsum("ik,ij,jk->k", gradient, spread, gradient)
