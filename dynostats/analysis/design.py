"""Which weighted sum of pulls is the effect, and what noise it collects.

The same weights serve every grid speed, so the effect curve is linear in the pull curves and its
noise is a known mix of the layers. Source: generalised least squares with known variance ratios,
Searle, Casella & McCulloch (1992), Variance Components, ch. 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.layers import places_in_session
from dynostats.arrays import Floats

# A sum of weights this small is zero.
CANCELS = 1e-9
# Setups and sessions overlap by one column: a singular value this small beside the largest is zero.
# Without the limit rounding can make it count, and the weights are then of another question.
RANK_TOLERANCE = 1e-9

Kind = Literal["same_session", "linked_sessions", "different_sessions"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contrast:
    """Weights of the pulls in the effect, and the noise they collect.

    Args:
        weights: Shape (pulls,), candidate minus baseline.
        kind: Whether both setups shared a session, were linked through a third setup, or never met.
        loadings: By layer, the weight of each of its units: "pull" the weights themselves,
            "session" their sum over each session (zero where a session cancels), "drift" over the
            run order of each session (where the setups never met, what it is more than the drift
            that past sessions' means hold already), "refit" over each setup in each session.
        drift_fitted: True when a linear drift was fitted in each session rather than taken from
            history.
        drift_confounded: Share of the setup difference that a linear drift could imitate: the
            squared correlation of setup and run order, 0 to 1; 0 where no order is known.
        known: Shape (units, speeds): what one SD of each error of known size adds to the effect;
            None where there is none.
    """

    weights: Floats
    kind: Kind
    loadings: dict[str, Floats]
    drift_fitted: bool
    drift_confounded: float
    known: Floats | None = None

    def factor(self, layer: str) -> float:
        """Return the effect's variance per unit of variance of a layer."""
        return float(self.loadings[layer] @ self.loadings[layer])


def weigh_pulls(
    curves: CurveSet,
    *,
    baseline: str,
    candidate: str,
    session_ratio: float | None,
    drift_ratio: float | None,
    drift_in_sessions: float = 0.0,
) -> Contrast:
    """Find the weights of the pulls in candidate minus baseline.

    Args:
        curves: The pulls of one engine in the sessions of the study.
        baseline: Baseline setup; at least one pull.
        candidate: Candidate setup; at least one pull.
        session_ratio: Session variance over pull variance, band mean; None when unknown. Used only
            where the setups never met: inside a session it cancels.
        drift_ratio: Drift variance (per pull of run order) over pull variance; None when unknown:
            then a drift is fitted where it does not cancel and the run order allows.
        drift_in_sessions: Drift variance that the means of past sessions hold, per unit of session
            variance.

    Returns:
        The contrast.
    """
    setups = _one_hot(curves.setup)
    sessions = _one_hot(curves.session)
    order = _order_by_session(curves)
    asked = _asked(curves.setup, baseline, candidate)
    kind = _kind(curves, setups, sessions, asked, baseline=baseline, candidate=candidate)
    fixed = [setups]
    random: list[tuple[Floats, float]] = []
    if kind == "different_sessions":
        random.append((sessions, session_ratio if session_ratio is not None else 1.0))
    else:
        fixed.append(sessions)
    drift_fitted = False
    if drift_ratio is not None:
        random.append((order, drift_ratio))
    weights = _gls_weights(np.hstack(fixed), random, asked)
    if drift_ratio is None and np.abs(weights @ order).max() > CANCELS:
        drift_fitted = _estimable(np.hstack([*fixed, order]), asked)
        if drift_fitted:
            fixed.append(order)
            weights = _gls_weights(np.hstack(fixed), random, asked)
    drift, session = weights @ order, np.zeros(sessions.shape[1])
    if kind == "different_sessions":
        session = weights @ sessions
        drift = _excess_drift(curves, weights, sessions, in_sessions=drift_in_sessions)
    return Contrast(
        weights=weights,
        kind=kind,
        loadings={
            "pull": weights,
            "session": session,
            "drift": drift,
            "refit": weights @ _cells(curves),
        },
        drift_fitted=drift_fitted,
        drift_confounded=_confounded(curves, order, baseline=baseline, candidate=candidate),
        known=_known(curves, weights),
    )


def _excess_drift(
    curves: CurveSet, weights: Floats, sessions: Floats, *, in_sessions: float
) -> Floats:
    """Return the loading of each session's drift beyond what past sessions' means hold.

    The later the pulls of a session, the more of its drift is in their mean. Past sessions' means
    differ by their own drifts too, and that is counted as session variance; a study with longer
    sessions collects more.
    """
    place = places_in_session(curves.order, sessions.argmax(axis=1))
    whole = (weights * place) @ sessions
    size = float(whole @ whole)
    session = weights @ sessions
    excess = size - in_sessions * float(session @ session)
    return whole * np.sqrt(max(excess, 0.0) / max(size, CANCELS))


def _known(curves: CurveSet, weights: Floats) -> Floats | None:
    if curves.known_errors is None:
        return None
    return np.tensordot(weights, curves.known_errors, axes=1)


def fits_drift(curves: CurveSet, *, baseline: str, candidate: str) -> bool:
    """Tell whether a drift must be fitted where past sessions do not tell how far engines drift."""
    contrast = weigh_pulls(
        curves, baseline=baseline, candidate=candidate, session_ratio=None, drift_ratio=None
    )
    return contrast.drift_fitted


def fit_residuals(curves: CurveSet, *, drift: bool) -> Floats:
    """Return log curves less what setups, sessions and (if asked) a drift in each session say.

    Args:
        curves: Pulls of one engine, complete on the band.
        drift: Whether a linear drift in run order is taken out of each session.

    Returns:
        Shape (pulls, speeds): residuals of the least-squares fit.
    """
    columns = [_one_hot(curves.setup), _one_hot(curves.session)]
    if drift:
        columns.append(_order_by_session(curves))
    fixed = np.hstack(columns)
    return curves.log_torque - fixed @ (
        np.linalg.pinv(fixed, rcond=RANK_TOLERANCE) @ curves.log_torque
    )


def _one_hot(labels: list[str]) -> Floats:
    distinct = sorted(set(labels))
    return np.array([[float(label == name) for name in distinct] for label in labels])


def _cells(curves: CurveSet) -> Floats:
    return _one_hot([f"{s}\n{k}" for s, k in zip(curves.session, curves.setup, strict=True)])


def _asked(setup: list[str], baseline: str, candidate: str) -> Floats:
    names = sorted(set(setup))
    return np.array([float(name == candidate) - float(name == baseline) for name in names])


def _order_by_session(curves: CurveSet) -> Floats:
    """Return the run order about each session's mean, a column a session; 0 where unknown."""
    columns: list[Floats] = []
    for name in sorted(set(curves.session)):
        inside = np.array([label == name for label in curves.session])
        own = curves.order[inside]
        column = np.zeros(len(curves))
        if np.isfinite(own).all():
            column[inside] = own - own.mean()
        columns.append(column)
    return np.array(columns).T


def _kind(
    curves: CurveSet,
    setups: Floats,
    sessions: Floats,
    asked: Floats,
    *,
    baseline: str,
    candidate: str,
) -> Kind:
    met = {
        name: {s for s, setup in zip(curves.session, curves.setup, strict=True) if setup == name}
        for name in (baseline, candidate)
    }
    if met[baseline] & met[candidate]:
        return "same_session"
    if _estimable(np.hstack([setups, sessions]), asked):
        return "linked_sessions"
    return "different_sessions"


def _estimable(columns: Floats, asked: Floats) -> bool:
    """Tell whether a contrast of the first columns is fixed by the data: in the row space."""
    wanted = np.concatenate([asked, np.zeros(columns.shape[1] - len(asked))])
    found = np.linalg.pinv(columns, rcond=RANK_TOLERANCE) @ columns @ wanted
    return bool(np.allclose(found, wanted, atol=1e-8))


def _gls_weights(fixed: Floats, random: list[tuple[Floats, float]], asked: Floats) -> Floats:
    covariance = np.eye(len(fixed))
    for columns, ratio in random:
        covariance += ratio * columns @ columns.T
    wanted = np.concatenate([asked, np.zeros(fixed.shape[1] - len(asked))])
    weighted = np.linalg.solve(covariance, fixed) if random else fixed
    inverse = np.linalg.pinv(fixed.T @ weighted, rcond=RANK_TOLERANCE, hermitian=True)
    return weighted @ inverse @ wanted


def _confounded(curves: CurveSet, order: Floats, *, baseline: str, candidate: str) -> float:
    sign = np.array([float(s == candidate) - float(s == baseline) for s in curves.setup])
    place = order.sum(axis=1)
    own = sign != 0
    sign, place = sign[own] - sign[own].mean(), place[own] - place[own].mean()
    size = float((sign @ sign) * (place @ place))
    return float((sign @ place) ** 2 / size) if size > 0 else 0.0
