"""Several effects together: a mean that differs from study to study, and how much it differs.

Source: Viechtbauer (2005), J. Educational and Behavioral Statistics 30:261, for REML; Hartung &
Knapp (2001), Statistics in Medicine 20:3875, and Roever, Knapp & Friede (2015), BMC Medical
Research Methodology 15:99, for the t interval with a scale of at least one; Higgins, Thompson &
Spiegelhalter (2009), J. Royal Statistical Society A 172:137, for the prediction interval;
Viechtbauer (2007), Statistics in Medicine 26:37, for the bounds of the variance between studies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2
from scipy.stats import t as student_t

from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

# Fewer effects than this tell nothing of how far effects differ.
LEAST_STUDIES = 3
# The variance between studies is looked for on so many values first, then refined around the best.
_GRID = 200
_EXACT = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Synthesis:
    """Effects together, in the units of the effects.

    Args:
        coefficients: Shape (columns,): the mean alone, or mean and slopes.
        errors: Standard errors of the coefficients, scale included, shape (columns,).
        low: Lower bounds of the coefficients, shape (columns,).
        high: Upper bounds.
        p_values: Two-sided, of each coefficient being zero.
        df: Degrees of freedom of the t distribution: studies less columns.
        scale: Knapp-Hartung scale q; the errors hold the root of max(1, q).
        tau2: Variance between studies, REML.
        tau2_low: Its lower bound at the same level (Q profile).
        tau2_high: Its upper bound; None where no value is excluded.
        prediction: Bounds of the true effect of the next study, the variance between studies taken
            as estimated (`shrinkage.predict_next` does not); None with slopes.
        heterogeneity: Cochran's Q.
        heterogeneity_p: Chance of a Q as large where all studies share one effect.
        i2: Share of the variance of an effect that lies between studies, 0 to 1.
    """

    coefficients: Floats
    errors: Floats
    low: Floats
    high: Floats
    p_values: Floats
    df: int
    scale: float
    tau2: float
    tau2_low: float
    tau2_high: float | None
    prediction: tuple[float, float] | None
    heterogeneity: float
    heterogeneity_p: float
    i2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Generalised least squares at one variance between studies."""

    coefficients: Floats
    covariance: Floats
    precision: Floats
    residuals: Floats
    log_likelihood: float

    @property
    def squares(self) -> float:
        """Return the weighted sum of squared residuals."""
        return float(self.residuals @ self.precision @ self.residuals)


def synthesise(
    effects: Floats,
    covariance: Floats,
    moderators: Floats | None = None,
    *,
    alpha: float = 0.05,
) -> Synthesis:
    """Put effects together by a random-effects model, with moderators a meta-regression.

    Args:
        effects: Shape (studies,).
        covariance: Of their errors, shape (studies, studies); studies that share pulls are
            correlated.
        moderators: Shape (studies, moderators); None for the mean alone.
        alpha: One less the level of the intervals.

    Raises:
        AnalysisError: Fewer than three studies, or than the columns and two.
    """
    design = _design(effects, moderators)
    _require_enough(design)
    tau2 = _reml(effects, covariance, design)
    fit = fit_at(tau2, effects, covariance, design)
    df = len(effects) - design.shape[1]
    scale = fit.squares / df
    errors = np.sqrt(max(1.0, scale) * np.diag(fit.covariance))
    quantile = float(student_t.isf(alpha / 2.0, df))
    fixed = fit_at(0.0, effects, covariance, design)
    bounds = _profile_tau2(effects, covariance, design, alpha)
    mean = float(fit.coefficients[0])
    reach = quantile * math.sqrt(tau2 + float(errors[0]) ** 2)
    return Synthesis(
        coefficients=fit.coefficients,
        errors=errors,
        low=fit.coefficients - quantile * errors,
        high=fit.coefficients + quantile * errors,
        p_values=2.0 * student_t.sf(np.abs(fit.coefficients / errors), df),
        df=df,
        scale=scale,
        tau2=tau2,
        tau2_low=bounds[0],
        tau2_high=bounds[1],
        prediction=(mean - reach, mean + reach) if moderators is None else None,
        heterogeneity=fixed.squares,
        heterogeneity_p=float(chi2.sf(fixed.squares, df)),
        i2=tau2 / (tau2 + _typical_variance(fixed, design)),
    )


def fit_at(tau2: float, effects: Floats, covariance: Floats, design: Floats) -> Fit:
    """Return the generalised least squares fit at one variance between studies.

    Args:
        tau2: That variance.
        effects: Shape (studies,).
        covariance: Shape (studies, studies).
        design: Shape (studies, columns).
    """
    total = covariance + tau2 * np.eye(len(effects))
    precision = np.linalg.inv(total).astype(np.float64, copy=False)
    information = design.T @ precision @ design
    inverse = np.linalg.inv(information).astype(np.float64, copy=False)
    coefficients = inverse @ design.T @ precision @ effects
    residuals = effects - design @ coefficients
    log_likelihood = -0.5 * (
        np.linalg.slogdet(total)[1]
        + np.linalg.slogdet(information)[1]
        + residuals @ precision @ residuals
    )
    return Fit(
        coefficients=coefficients,
        covariance=inverse,
        precision=precision,
        residuals=residuals,
        log_likelihood=float(log_likelihood),
    )


def tau_grid(effects: Floats, covariance: Floats, count: int) -> Floats:
    """Return SDs between studies from zero to beyond what the effects can carry, shape (count,)."""
    widest = float(np.ptp(effects)) + 2.0 * math.sqrt(float(np.diag(covariance).max()))
    return np.linspace(0.0, 1.0, count) ** 2 * 3.0 * widest


def _design(effects: Floats, moderators: Floats | None) -> Floats:
    ones = np.ones((len(effects), 1))
    return ones if moderators is None else np.hstack([ones, moderators])


def _require_enough(design: Floats) -> None:
    studies, columns = design.shape
    least = max(LEAST_STUDIES, columns + 2)
    if studies < least:
        raise AnalysisError(
            f"{studies} studies give no synthesis; at least {least} are needed to tell how far "
            "effects differ",
            mend="Each study speaks for itself until there are more.",
        )


def _reml(effects: Floats, covariance: Floats, design: Floats) -> float:
    """Return the variance between studies with the largest restricted likelihood."""

    def loss(tau: float) -> float:
        return -fit_at(tau**2, effects, covariance, design).log_likelihood

    grid = tau_grid(effects, covariance, _GRID)
    best = int(np.argmin([loss(tau) for tau in grid.tolist()]))
    around = (grid[max(best - 1, 0)], grid[min(best + 1, _GRID - 1)])
    found = minimize_scalar(loss, bounds=around, method="bounded", options={"xatol": _EXACT})
    tau = float(found.x)
    return tau**2 if loss(tau) < loss(0.0) else 0.0


def _profile_tau2(
    effects: Floats, covariance: Floats, design: Floats, alpha: float
) -> tuple[float, float | None]:
    """Return the variances between studies beyond which the weighted squares are unlikely."""
    df = len(effects) - design.shape[1]

    def crossing(level: float) -> float | None:
        wanted = float(chi2.ppf(level, df))

        def excess(tau2: float) -> float:
            return fit_at(tau2, effects, covariance, design).squares - wanted

        if excess(0.0) <= 0.0:
            return 0.0
        top = max(float(np.ptp(effects)) ** 2, float(np.diag(covariance).max()))
        for _ in range(60):
            if excess(top) < 0.0:
                return cast("float", brentq(excess, 0.0, top, xtol=_EXACT * top))
            top *= 4.0
        return None

    low = crossing(1.0 - alpha / 2.0)
    return (0.0 if low is None else low), crossing(alpha / 2.0)


def _typical_variance(fixed: Fit, design: Floats) -> float:
    """Return the variance of a typical study's error.

    Source: Higgins & Thompson (2002), Statistics in Medicine 21:1539.
    """
    precision = fixed.precision
    projected = precision - precision @ design @ fixed.covariance @ design.T @ precision
    return (len(design) - design.shape[1]) / float(np.trace(projected))
