"""What the pulls of one engine say of the exponents: contrasts on a smooth basis over engine speed.

A contrast of pulls is a curve. Its first few cosine components hold what is smooth in it, and are
nearly uncorrelated whatever the noise, so each can be weighted by its own noise. Readings' errors,
which are rough, stay outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.contrasts import within_sessions, without_mean_drift
from dynostats.analysis.regression import ClusterFit, ClusterSums, fit_clusters, sum_clusters
from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError

# Cosine components kept: the last has half a wave in a sixth of the band.
COMPONENTS = 6
# Noise of the components is drawn toward their mean as if that many contrasts more had shown it.
BORROWED = 4.0
# Fewer sessions with a slope than this do not tell the drift that they have in common.
LEAST_SLOPES = 6
# A cause that varied by less than a part in a hundred thousand between pulls did not vary.
LEAST_SPREAD = 1e-5
# Noise below a part in ten million is rounding.
LEAST_NOISE = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """Pulls of one engine, complete on their speeds.

    Args:
        log_torque: Shape (pulls, speeds).
        logs: Logs of the causes, about the study's means, shape (causes, pulls, speeds).
        bent: Squared log of the mixture about its mean, shape (pulls, speeds); zero where the
            mixture is no cause, or does not bend.
        session: Session of each pull.
        setup: Setup of each pull.
        order: Run order; NaN where unknown.
    """

    log_torque: Floats
    logs: Floats
    bent: Floats
    session: Sequence[str]
    setup: Sequence[str]
    order: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Contrasts of an engine's pulls.

    Args:
        torque: Components of log torque, shape (contrasts, components).
        bent: Likewise of the squared mixture.
        causes: Components of the causes, shape (causes, contrasts, components).
        finer: The next components of the causes, as many again; what is in them is noise of
            readings, or too fine to be told from it.
        curves: The causes' contrasts over engine speed, shape (causes, contrasts, speeds).
        slopes: Which contrasts run along the run order, shape (contrasts,).
    """

    torque: Floats
    bent: Floats
    causes: Floats
    finer: Floats
    curves: Floats
    slopes: Flags

    def __len__(self) -> int:
        """Return the number of contrasts."""
        return len(self.torque)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learned:
    """A weighted fit of the contrasts, of the causes that varied at all.

    Args:
        varied: Which causes varied between pulls, shape (all causes,); the other arrays hold
            those alone.
        products: Cross-products of the causes over noise variance, shape (causes, causes): the
            inverse covariance of the exponents were all as assumed.
        moments: Of the causes with torque, shape (causes,).
        bent: Of the causes with the squared mixture, shape (causes,).
        fit: Fit with cluster-robust errors; None where the contrasts do not allow one.
        spread: Root mean square of each cause's contrasts, log units, shape (causes,).
        reliability: Share of the contrasts' variance that is not noise of the readings, at
            least, shape (causes,).
        leverage: Largest share of what is known of an exponent that one contrast holds, shape
            (causes,).
        inflation: Variance inflation of each exponent by the other causes, shape (causes,).
    """

    varied: Flags
    products: Floats
    moments: Floats
    bent: Floats
    fit: ClusterFit | None
    spread: Floats
    reliability: Floats
    leverage: Floats
    inflation: Floats

    def place(self, cause: int) -> int | None:
        """Return where a cause stands in the arrays; None where it never varied."""
        return int(self.varied[:cause].sum()) if self.varied[cause] else None


def collect(series: Series) -> Evidence:
    """Return the contrasts of an engine's pulls."""
    stacked = np.stack([series.log_torque, series.bent, *series.logs], axis=1)
    pulls, kinds, speeds = stacked.shape
    found = within_sessions(stacked.reshape(pulls, -1), series.session, series.setup, series.order)
    parts = [found.pull]
    if len(found.slope) >= LEAST_SLOPES:
        parts.append(without_mean_drift(found))
    curves = np.concatenate(parts).reshape(-1, kinds, speeds)
    basis = cosines(speeds, 2 * COMPONENTS)
    components = curves @ basis.T
    kept = components[:, :, :COMPONENTS]
    return Evidence(
        torque=kept[:, 0],
        bent=kept[:, 1],
        causes=kept[:, 2:].transpose(1, 0, 2),
        finer=components[:, 2:, COMPONENTS:].transpose(1, 0, 2),
        curves=curves[:, 2:].transpose(1, 0, 2),
        slopes=np.arange(len(curves)) >= len(found.pull),
    )


def cosines(speeds: int, count: int) -> Floats:
    """Return orthonormal cosines over a grid, at most as many as it has speeds."""
    number = np.arange(min(count, speeds))[:, None]
    waves = np.cos(np.pi * number * (np.arange(speeds) + 0.5) / speeds)
    return waves / np.sqrt((waves**2).sum(axis=1, keepdims=True))


def learn(evidence: Evidence, *, start: Floats, bend: float) -> Learned:
    """Fit the exponents by weighted least squares; the weights come from the residuals.

    Args:
        evidence: Contrasts of one engine.
        start: Exponents that the first residuals are taken from, shape (causes,).
        bend: Coefficient assumed of the squared mixture.
    """
    spread = _spread(evidence)
    varied = spread > LEAST_SPREAD
    causes = evidence.causes[varied]
    response = evidence.torque - bend * evidence.bent
    weighted = _weigh(evidence, causes, response, start[varied])
    for _ in range(2):
        fit = _fit(weighted.sums)
        if fit is None:
            break
        weighted = _weigh(evidence, causes, response, fit.coefficients)
    sums, fit = weighted.sums, _fit(weighted.sums)
    noise = _noise_left(fit)
    products = sums.products.sum(axis=0) / noise
    return Learned(
        varied=varied,
        products=products,
        moments=sums.moments.sum(axis=0) / noise,
        bent=weighted.bent / noise,
        fit=fit,
        spread=spread[varied],
        reliability=_reliability(causes, evidence.finer[varied], weighted.roots),
        leverage=_largest_share(sums.products, products),
        inflation=_inflation(products),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Weighted:
    """Sums over the contrasts, their rows divided by the SD of their noise."""

    sums: ClusterSums
    bent: Floats
    roots: Floats


def _spread(evidence: Evidence) -> Floats:
    """Return the root mean square of each cause's contrasts over engine speed, log units."""
    if not len(evidence):
        return np.zeros(len(evidence.causes))
    square = np.sum(evidence.causes**2, axis=2) / evidence.curves.shape[2]
    return np.sqrt(square.mean(axis=1))


def _weigh(evidence: Evidence, causes: Floats, response: Floats, exponents: Floats) -> _Weighted:
    residual = response - np.einsum("k,kcm->cm", exponents, causes)
    roots = 1.0 / np.sqrt(_noise(residual, evidence.slopes))
    rows = (causes * roots).reshape(len(causes), residual.size).T
    contrast = np.repeat(np.arange(len(evidence)), response.shape[1])
    sums = sum_clusters(rows, (response * roots).ravel(), contrast)
    return _Weighted(sums=sums, bent=rows.T @ (evidence.bent * roots).ravel(), roots=roots)


def _noise(residual: Floats, slopes: Flags) -> Floats:
    """Return the noise variance of each component of each contrast, shape of the residual.

    Slope contrasts hold what is peculiar to a session's drift beside the noise of pulls: they
    weigh as little as their mean square says.
    """
    lower = residual[~slopes] if (~slopes).any() else residual
    typical = float(np.mean(lower**2)) if lower.size else 1.0
    by_component = (len(lower) * (lower**2).mean(axis=0) if len(lower) else 0.0) + (
        BORROWED * typical
    )
    variance = np.maximum(by_component / (len(lower) + BORROWED), LEAST_NOISE)
    noise = np.broadcast_to(variance, residual.shape).copy()
    if slopes.any():
        noise[slopes] *= max(1.0, float(np.mean(residual[slopes] ** 2 / variance)))
    return noise


def _fit(sums: ClusterSums) -> ClusterFit | None:
    if not sums.columns:  # no cause varied: nothing is to be learned from these pulls
        return None
    try:
        return fit_clusters(sums)
    except AnalysisError:
        return None


def _noise_left(fit: ClusterFit | None) -> float:
    """Return the residual variance of the weighted rows: one, but for what was borrowed."""
    if fit is None or fit.rows <= len(fit.coefficients):
        return 1.0
    return max(fit.residual_squares / (fit.rows - len(fit.coefficients)), LEAST_NOISE)


def _reliability(causes: Floats, finer: Floats, roots: Floats) -> Floats:
    """Return how much of each cause's weighted variance the finer components do not show."""
    weights = roots**2
    whole = np.einsum("cm,kcm->k", weights, causes**2)
    if not finer.size:
        return np.ones(len(whole))
    per_component = np.mean(finer**2, axis=2)
    noise = np.einsum("c,kc->k", weights.sum(axis=1), per_component)
    return np.clip(1.0 - np.divide(noise, whole, out=np.zeros_like(whole), where=whole > 0), 0, 1)


def _largest_share(by_contrast: Floats, products: Floats) -> Floats:
    """Return the largest share of each exponent's information that one contrast holds."""
    if not len(by_contrast):
        return np.ones(len(products))
    inverse = np.linalg.pinv(products, hermitian=True)
    own = np.einsum("jk,gkl,jl->gj", inverse, by_contrast, inverse)
    total = own.sum(axis=0)
    return np.divide(own.max(axis=0), total, out=np.ones(len(products)), where=total > 0)


def _inflation(products: Floats) -> Floats:
    """Return the variance inflation factors; infinite where the causes are wholly dependent."""
    size = np.diag(products)
    if not len(products) or not (size > 0).all() or np.linalg.cond(products) > 1e14:
        return np.full(len(products), np.inf)
    return size * np.diag(np.linalg.inv(products))
