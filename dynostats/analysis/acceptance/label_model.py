"""How likely a pull's signature is under each setup's label, learned from the other pulls.

Signature = setup mean + session shift + pull noise. In the basis in which the pull noise is white
and the session shifts are independent, each number is a small mixed model of its own; the
prediction of a pull from the others under a label is exact there. The noise covariance is pooled
within setups and shrunk towards uncorrelated channels, and its own uncertainty makes the prediction
a multivariate t.

Sources: regularised discriminant analysis, Friedman (1989), JASA 84:165; predictive density with an
inverse-Wishart prior, Geisser (1964), JRSS B 26:69; best linear prediction, Henderson (1975),
Biometrics 31:423; variance-inflation outlier class, Box & Tiao (1968), Biometrika 55:119.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from dynostats.arrays import Flags, Floats, Ints

# Degrees of freedom of the pull noise without which no label is judged.
LEAST_DF = 4
# Setups are taken to lie anywhere within some hundred noise SDs of each other.
SETUP_SD = 100.0
# A session shifts a signature by twice as much as a pull does (variance ratio 4), as long as few
# sessions say otherwise; the belief is worth this many sessions. Stated assumption.
SESSION_RATIO = 4.0
SESSION_DF = 4.0
# A part that is no known setup moves a channel by this many noise SDs.
UNKNOWN_SDS = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Labelled:
    """Signatures with their labels.

    Args:
        values: Shape (pulls, numbers).
        setup: Number of the setup on paper, shape (pulls,).
        session: Number of the session, shape (pulls,).
        resolution: Smallest noise SD believed, shape (numbers,).
        channels: Number of the quantity each number belongs to, shape (numbers,).
        outcome: Number of the quantity that comparisons are about; -1 if it is not among them.
            When it alone is off, that makes no unknown setup.
    """

    values: Floats
    setup: Ints
    session: Ints
    resolution: Floats
    channels: Ints
    outcome: int = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Noise:
    """Pull noise and session shifts in the basis in which both are independent.

    Args:
        basis: Rows turn a signature into white numbers, shape (numbers, numbers).
        session: Session variance over pull variance, shape (numbers,).
        sd: Pull SD of each number, shape (numbers,).
        df: Degrees of freedom of the predictive t.
    """

    basis: Floats
    session: Floats
    sd: Floats
    df: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """What the other pulls say of one pull (or of the mean of a few).

    Args:
        log_density: Under each setup's label, shape (setups,); -inf where no other pull has it.
        log_unknown: Under the label on paper with something moved that no known setup moves.
        away: Signature less prediction under each label, shape (setups, numbers).
        sd: SD of that, one predicted pull, shape (setups, numbers).
    """

    log_density: Floats
    log_unknown: float
    away: Floats
    sd: Floats


def predict(data: Labelled, kept: Flags, unit: Ints) -> Prediction | None:
    """Predict some pulls, which share setup and session, from the others.

    Args:
        data: All pulls.
        kept: Shape (pulls,): pulls that may be learned from.
        unit: The pulls to predict; never learned from.

    Returns:
        The prediction; None when the others are too few, or none has the label on paper.
    """
    learn = kept.copy()
    learn[unit] = False
    label = int(data.setup[unit[0]])
    rows = np.flatnonzero(learn)
    if label not in data.setup[rows]:
        return None
    noise = _learn_noise(data, rows)
    if noise is None:
        return None
    return _predict(data, rows, unit, noise)


def _learn_noise(data: Labelled, rows: Ints) -> _Noise | None:
    values = data.values[rows]
    setups, sessions = _one_hot(data.setup[rows]), _one_hot(data.session[rows])
    both = np.hstack([setups, sessions])
    hat = both @ np.linalg.pinv(both.T @ both, hermitian=True) @ both.T
    rank = round(float(np.trace(hat)))
    df = len(rows) - rank
    if df < LEAST_DF:
        return None
    residual = values - hat @ values
    square = residual.T @ residual
    size = values.shape[1]
    sd = np.maximum(np.sqrt(np.diag(square) / df), data.resolution)
    # As if as many more pulls as numbers had been seen, with uncorrelated noise of the same size.
    prior = size + 2.0
    covariance = (square + prior * np.diag(sd**2)) / (df + prior)
    scale = sd / np.sqrt(np.diag(covariance))
    covariance = covariance * scale[:, None] * scale[None, :]
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    between, gained, weight = _between_sessions(values, setups, sessions, square, rank)
    raw, turn = np.linalg.eigh(whiten @ between @ whiten.T)
    ratio = np.clip((raw - gained) / weight, 0.0, None) if weight > 0 else np.zeros(size)
    common = (gained * float(ratio.mean()) + SESSION_DF * SESSION_RATIO) / (gained + SESSION_DF)
    return _Noise(
        basis=turn.T @ whiten,
        session=(gained * ratio + SESSION_DF * common) / (gained + SESSION_DF),
        sd=sd,
        df=df + prior - size + 1.0,
    )


def _between_sessions(
    values: Floats, setups: Floats, sessions: Floats, within: Floats, rank: int
) -> tuple[Floats, int, float]:
    """Return what sessions add to the squares within setups, its df and the weight of a session.

    Source: Henderson's method III (1953), Biometrics 9:226.
    """
    counts = setups.sum(axis=0)
    residual = values - setups @ ((setups.T @ values) / counts[:, None])
    met = setups.T @ sessions
    weight = float((sessions.sum(axis=0) - (met**2 / counts[:, None]).sum(axis=0)).sum())
    return residual.T @ residual - within, rank - setups.shape[1], weight


def _predict(data: Labelled, rows: Ints, unit: Ints, noise: _Noise) -> Prediction:
    known = np.unique(data.setup[rows])
    sessions = np.unique(np.append(data.session[rows], data.session[unit[0]]))
    centre = data.values[rows].mean(axis=0)
    white = (data.values[rows] - centre) @ noise.basis.T
    design = np.hstack(
        [
            data.setup[rows][:, None] == known[None, :],
            data.session[rows][:, None] == sessions[None, :],
        ]
    ).astype(np.float64)
    prior = np.hstack(
        [
            np.full((len(noise.session), len(known)), SETUP_SD**-2),
            np.repeat(1.0 / np.maximum(noise.session, 1e-6)[:, None], len(sessions), axis=1),
        ]
    )
    covariance = np.linalg.inv(design.T @ design + prior[:, :, None] * np.eye(design.shape[1]))
    effects = np.einsum("dij,jd->di", covariance, design.T @ white)
    here = len(known) + int(np.searchsorted(sessions, data.session[unit[0]]))
    at = np.arange(len(known))
    mean = effects[:, at] + effects[:, [here]]
    variance = (
        covariance[:, at, at] + 2.0 * covariance[:, at, here] + covariance[:, [here], [here]]
    ) + 1.0 / len(unit)
    own = (data.values[unit].mean(axis=0) - centre) @ noise.basis.T
    away = (own[:, None] - mean).T
    variance = variance.T
    count = int(data.setup.max()) + 1
    label = int(np.searchsorted(known, data.setup[unit[0]]))
    # A label that is known more closely than the one on paper is not more likely for that.
    fair = np.maximum(variance, variance[label])
    density = np.full(count, -np.inf)
    density[known] = _log_t(away**2 / fair, np.log(fair).sum(axis=1), noise.df)
    unknown = _log_unknown(data, noise, away[label], variance[label])
    back = np.linalg.inv(noise.basis)
    raw = np.full((count, len(noise.sd)), np.nan)
    raw[known] = away @ back.T
    spread = np.full_like(raw, np.nan)
    spread[known] = np.sqrt(variance @ (back**2).T)
    return Prediction(log_density=density, log_unknown=unknown, away=raw, sd=spread)


def _log_t(squares: Floats, log_variance: Floats, df: float) -> Floats:
    """Log density of a multivariate t, but for a constant; squares of shape (labels, numbers)."""
    size = squares.shape[1]
    distance = squares.sum(axis=1)
    return -0.5 * log_variance - 0.5 * (df + size) * np.log1p(distance / df)


def _log_unknown(data: Labelled, noise: _Noise, away: Floats, variance: Floats) -> float:
    """Log density when one quantity, or every one, moved by some ten noise SDs.

    The quantity that comparisons are about never moves: that alone makes no unknown setup.
    """
    others = np.unique(data.channels[data.channels != data.outcome])
    if not others.size:
        return -np.inf
    moves = [data.channels == quantity for quantity in others]
    single = [_log_moved(noise, away, variance, columns) for columns in moves]
    everything = _log_moved(noise, away, variance, data.channels != data.outcome)
    mixed = float(logsumexp(single)) - np.log(len(single))
    return float(np.logaddexp(mixed, everything) - np.log(2.0))


def _log_moved(noise: _Noise, away: Floats, variance: Floats, columns: Flags) -> float:
    """Log density, but for the constant of `_log_t`, with some numbers spread ten times as wide."""
    moves = UNKNOWN_SDS * noise.basis[:, columns] * noise.sd[columns]
    spread = np.diag(variance) + moves @ moves.T
    distance = float(away @ np.linalg.solve(spread, away))
    log_size = float(np.linalg.slogdet(spread)[1])
    return -0.5 * log_size - 0.5 * (noise.df + len(away)) * float(np.log1p(distance / noise.df))


def _one_hot(labels: Ints) -> Floats:
    return (labels[:, None] == np.unique(labels)[None, :]).astype(np.float64)
