"""The difference split into parts: each exponent times the change of its cause, and what is left.

On the log scale the parts add up exactly, in whatever order the causes are thought to change: all
orders give the same parts, so their average over orders (Shapley's) is the same too. It is an
accounting: what is left over is named, and the parts are no proof of cause.

Everything is worked out for several views of the effect curve at once: its mean over the band,
its mean in kW, and its value at each speed. Each is a row of weights over engine speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from dynostats.analysis.attribution.causes import PLUMBING_SD, Cause
from dynostats.analysis.attribution.exponents import Exponents
from dynostats.arrays import Floats

# Degrees of freedom of what rests on an assumption.
ASSUMED_DF = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """How torque and its causes changed from the baseline to the candidate, log units.

    Args:
        torque: Shape (speeds,).
        causes: Shape (causes, speeds).
        bent: Change of the squared log of the mixture about its mean, shape (speeds,).
        plumbing: Change of the log ratio of manifold pressure to the pressure behind the
            compressor, shape (speeds,): what of a change in boost the plumbing made; zero where
            the latter was not logged.
        pull_factor: Variance of the change per variance of one pull.
    """

    torque: Floats
    causes: Floats
    bent: Floats
    plumbing: Floats
    pull_factor: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scatter:
    """How far pulls of one setup in one session scatter.

    Args:
        causes: Contrasts of the causes, shape (causes, contrasts, speeds); none where no setup was
            pulled twice in a session.
        rest_variance: Variance of what no cause explains, in the change, at each view, shape
            (views,); None where it is not known.
        rest_df: Its degrees of freedom, shape (views,); None likewise.
    """

    causes: Floats
    rest_variance: Floats | None
    rest_df: Floats | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Split:
    """The parts at each view of the effect curve, log units.

    Args:
        parts: Shape (causes + 1, views); the last is what is left unexplained.
        half: Half-widths of the intervals; NaN where the noise is not known. Likewise.
    """

    parts: Floats
    half: Floats


def split_change(
    change: Change, exponents: Exponents, scatter: Scatter, views: Floats, *, alpha: float
) -> Split:
    """Split a change into its parts.

    Args:
        change: What changed.
        exponents: The exponents, with their uncertainty.
        scatter: How far pulls scatter.
        views: Shape (views, speeds): rows of weights over engine speed.
        alpha: One less the level of each interval.
    """
    shift = change.causes @ views.T
    bent = _bend(exponents) * (change.bent @ views.T)
    parts = exponents.estimate[:, None] * shift
    parts[_bent_row(exponents)] += bent
    rest = change.torque @ views.T - parts.sum(axis=0)
    terms = _terms(change, exponents, scatter, views)
    return Split(
        parts=np.vstack([parts, rest]),
        half=_half_widths(terms, scatter, alpha),
    )


def parts_of(change: Change, exponents: Exponents, values: Floats, view: Floats) -> Floats:
    """Return the parts at one view were the exponents as given, shape (causes + 1,)."""
    parts = values * (change.causes @ view)
    parts[_bent_row(exponents)] += _bend(exponents) * float(change.bent @ view)
    return np.append(parts, float(change.torque @ view) - parts.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Terms:
    """Variances of the parts by where they come from, each shape (causes + 1, views)."""

    exponents: Floats
    exponents_df: Floats
    scatter: Floats | None
    scatter_df: float
    stated: Floats


def _terms(change: Change, exponents: Exponents, scatter: Scatter, views: Floats) -> _Terms:
    shift = change.causes @ views.T
    covariance = exponents.covariance
    own = np.diag(covariance)[:, None] * shift**2
    together = np.einsum("kq,kl,lq->q", shift, covariance, shift)
    noise = _cause_noise(change, scatter, views)
    by_pulls = None
    if noise is not None:
        beta = exponents.estimate
        mine = (beta[:, None] ** 2 + np.diag(covariance)[:, None]) * np.einsum("kkq->kq", noise)
        # What the causes' scatter moves, the unexplained part does not see: its own scatter is of
        # torque less what the causes explain. Only the exponents' error mixes the two.
        mixed = np.einsum("kl,klq->q", covariance, noise)
        by_pulls = np.vstack([mine, mixed])
    return _Terms(
        exponents=np.vstack([own, together]),
        exponents_df=np.vstack([_own_df(exponents, shift), _together_df(exponents, shift)]),
        scatter=by_pulls,
        scatter_df=float(scatter.causes.shape[1]),
        stated=_stated(change, exponents, views),
    )


def _cause_noise(change: Change, scatter: Scatter, views: Floats) -> Floats | None:
    """Return the covariance of the causes' change, shape (causes, causes, views)."""
    contrasts = scatter.causes.shape[1]
    if not contrasts:
        return None
    read = scatter.causes @ views.T
    return change.pull_factor * np.einsum("kcq,lcq->klq", read, read) / contrasts


def _stated(change: Change, exponents: Exponents, views: Floats) -> Floats:
    """Return variances from stated allowances: tilt over the band, plumbing, the bend."""
    ramp = np.linspace(-1.0, 1.0, change.causes.shape[1])
    sds = np.array([cause.tilt_sd for cause in exponents.causes])
    tilted = (sds[:, None] * ((change.causes * ramp) @ views.T)) ** 2
    for at, cause in enumerate(exponents.causes):
        if cause.name == "boost":
            tilted[at] += (PLUMBING_SD * (change.plumbing @ views.T)) ** 2
    moved = exponents.bent[:, None] * (change.causes @ views.T)
    moved[_bent_row(exponents)] += change.bent @ views.T
    bend = _bend_sd(exponents) ** 2
    own = tilted + bend * moved**2
    return np.vstack([own, tilted.sum(axis=0) + bend * moved.sum(axis=0) ** 2])


def _half_widths(terms: _Terms, scatter: Scatter, alpha: float) -> Floats:
    """Return half-widths: Student's t with Satterthwaite's degrees of freedom of the sum."""
    if terms.scatter is None:
        return np.full_like(terms.exponents, np.nan)
    variance = terms.exponents + terms.scatter + terms.stated
    doubt = terms.exponents**2 / terms.exponents_df + terms.scatter**2 / terms.scatter_df
    doubt = doubt + terms.stated**2 / ASSUMED_DF
    if scatter.rest_variance is None or scatter.rest_df is None:
        variance[-1] = np.nan
    else:
        variance[-1] += scatter.rest_variance
        doubt[-1] += scatter.rest_variance**2 / scatter.rest_df
    safe = np.where(doubt > 0, doubt, 1.0)
    df = np.where(doubt > 0, variance**2 / safe, ASSUMED_DF)
    return stdtrit(np.maximum(df, 1.0), 1.0 - alpha / 2.0) * np.sqrt(variance)


def _own_df(exponents: Exponents, shift: Floats) -> Floats:
    return np.broadcast_to(exponents.df[:, None], shift.shape)


def _together_df(exponents: Exponents, shift: Floats) -> Floats:
    """Return the degrees of freedom of all exponents' errors together, shape (1, views)."""
    own = np.diag(exponents.covariance)[:, None] * shift**2
    doubt = (own**2 / exponents.df[:, None]).sum(axis=0)
    whole = own.sum(axis=0)
    return np.where(doubt > 0, whole**2 / np.where(doubt > 0, doubt, 1.0), ASSUMED_DF)[None]


def _bent_cause(causes: tuple[Cause, ...]) -> int | None:
    return next((at for at, cause in enumerate(causes) if cause.bend is not None), None)


def _bent_row(exponents: Exponents) -> slice:
    """Return the row of the cause that bends, as a slice; empty where none does."""
    at = _bent_cause(exponents.causes)
    return slice(0, 0) if at is None else slice(at, at + 1)


def _bend(exponents: Exponents) -> float:
    at = _bent_cause(exponents.causes)
    bend = None if at is None else exponents.causes[at].bend
    return 0.0 if bend is None else bend.mean


def _bend_sd(exponents: Exponents) -> float:
    at = _bent_cause(exponents.causes)
    bend = None if at is None else exponents.causes[at].bend
    return 0.0 if bend is None else bend.sd
