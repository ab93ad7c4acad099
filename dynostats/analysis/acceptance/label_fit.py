"""One small mixed model of the numbers that mark a setup: setup mean + session shift + pull noise.

Sources: best linear prediction, Henderson (1975), Biometrics 31:423; method III, Henderson (1953),
Biometrics 9:226, for the session variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.design import RANK_TOLERANCE
from dynostats.arrays import Floats, Ints

# Pairs of pulls of a setup in a session whose median tells the noise in spite of wrong labels.
LEAST_PAIRS = 6
# Setups are taken to lie anywhere within some hundred noise SDs of each other.
SETUP_SD = 100.0
# A session shifts a signature by twice as much as a pull does (variance ratio 4), as long as few
# sessions say otherwise; the belief is worth this many sessions. Stated assumption.
SESSION_RATIO = 4.0
SESSION_DF = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Who was pulled when.

    Args:
        setup: Number of the setup of each pull, shape (pulls,).
        known: Numbers of the setups among them, sorted.
        setups: Shape (pulls, setups): one where the pull is of the setup.
        sessions: Shape (pulls, sessions) likewise; the last column is the session asked about.
        columns: Setups and sessions side by side.
        pairs: Rows of the first and of the second pull of each pair that shares setup and session.
        believed: Covariance of the effects over the variance of one pull, where sessions shift as
            is believed of them (`SESSION_RATIO`), shape (effects, effects).
        hat: Fits setups and sessions together, shape (pulls, pulls).
        gained: Degrees of freedom that sessions take besides setups.
        weight: How much session variance stands in what they take.
        df: Degrees of freedom left for the pulls.
    """

    setup: Ints
    known: Ints
    setups: Floats
    sessions: Floats
    columns: Floats
    pairs: tuple[Ints, Ints]
    believed: Floats
    hat: Floats
    gained: int
    weight: float
    df: int

    def place(self, setup: int) -> int:
        """Return the column of a setup."""
        return int(np.searchsorted(self.known, setup))


def lay_out(setup: Ints, session: Ints, here: int) -> Design:
    """Lay out who was pulled when.

    Args:
        setup: Number of the setup of each pull, shape (pulls,).
        session: Number of its session, shape (pulls,).
        here: The session asked about; it may have no pull.
    """
    known = np.unique(setup)
    setups = (setup[:, None] == known[None, :]).astype(np.float64)
    order = np.append(np.setdiff1d(session, [here]), here)
    sessions = (session[:, None] == order[None, :]).astype(np.float64)
    both = np.hstack([setups, sessions])
    alike = (setup[:, None] == setup) & (session[:, None] == session)
    first, second = np.nonzero(np.triu(alike, k=1))
    hat = both @ np.linalg.pinv(both.T @ both, rcond=RANK_TOLERANCE, hermitian=True) @ both.T
    rank = round(float(np.trace(hat)))
    counts = setups.sum(axis=0)
    met = (setups.T @ sessions) ** 2 / counts[:, None]
    return Design(
        setup=setup,
        known=known,
        setups=setups,
        sessions=sessions,
        columns=both,
        pairs=(first, second),
        believed=_covariance(both, len(known), np.array([SESSION_RATIO]))[0],
        hat=hat,
        gained=rank - len(known),
        weight=float((sessions.sum(axis=0) - met.sum(axis=0)).sum()),
        df=len(setup) - rank,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """Mixed models of some columns of values, one each.

    Args:
        mean: Predicted in the session asked about, shape (setups, columns).
        noise: Variance of one pull, shape (columns,).
        unsure: Variance of the prediction over that of one pull, shape (setups, columns).
        effects: Of setups, then sessions, shape (columns, effects).
        inverse: Their covariance over the variance of one pull, shape (columns, effects, effects).
        df: Degrees of freedom of the noise.
    """

    mean: Floats
    noise: Floats
    unsure: Floats
    effects: Floats
    inverse: Floats
    df: int

    def variance(self, share: float) -> Floats:
        """Return the variance of a new pull (share 1) or of the mean of 1 / share pulls."""
        return self.noise * (share + self.unsure)


def fit(design: Design, values: Floats, *, noise: Floats | None = None) -> Fitted:
    """Fit setup means and session shifts to each column.

    Args:
        design: Who was pulled when.
        values: Shape (pulls, columns), in units of about their noise.
        noise: Pull variance of each column, where the residuals are not to be trusted.
    """
    residual = values - design.hat @ values
    square = (residual**2).sum(axis=0)
    columns, known = design.columns, len(design.known)
    if noise is not None:
        size = noise
        inverse = np.broadcast_to(design.believed, (len(size), *design.believed.shape))
    else:
        size = np.maximum(square / design.df, 1e-12)
        inverse = _covariance(columns, known, _session_ratio(design, values, square, size))
    centre = values.mean(axis=0)
    effects = np.einsum("dij,jd->di", inverse, columns.T @ (values - centre))
    at = np.arange(known)
    unsure = inverse[:, at, at] + 2.0 * inverse[:, at, -1] + inverse[:, -1, -1][:, None]
    return Fitted(
        mean=(effects[:, at] + effects[:, [-1]] + centre[:, None]).T,
        noise=size,
        unsure=unsure.T,
        effects=effects,
        inverse=inverse,
        df=design.df,
    )


def _covariance(columns: Floats, known: int, ratio: Floats) -> Floats:
    """Return the covariance of the effects for each session ratio, over the variance of one pull.

    Args:
        columns: Of setups, then sessions, shape (pulls, effects).
        known: How many of them are setups.
        ratio: Session variance over pull variance, shape (models,).

    Returns:
        Shape (models, effects, effects).
    """
    prior = np.full((len(ratio), columns.shape[1]), SETUP_SD**-2)
    prior[:, known:] = 1.0 / ratio[:, None]
    precision = columns.T @ columns + prior[:, :, None] * np.eye(columns.shape[1])
    return np.linalg.inv(precision).astype(np.float64, copy=False)


def _session_ratio(design: Design, values: Floats, square: Floats, noise: Floats) -> Floats:
    """Return session variance over pull variance of each column, leaning on the stated belief."""
    means = design.setups.T @ values / design.setups.sum(axis=0)[:, None]
    taken = ((values - design.setups @ means) ** 2).sum(axis=0) - square
    seen = np.zeros(len(noise))
    if design.weight > 0.0:
        seen = np.clip((taken / noise - design.gained) / design.weight, 0.0, None)
    return (design.gained * seen + SESSION_DF * SESSION_RATIO) / (design.gained + SESSION_DF)


def noise_sd(values: Floats, design: Design) -> Floats:
    """Return the pull SD of each number, little moved by wrong labels where pairs are enough."""
    residual = values - design.hat @ values
    sd = np.sqrt((residual**2).sum(axis=0) / design.df)
    pairs = pair_sd(values, design)
    return sd if pairs is None else np.minimum(sd, pairs)


def pair_sd(values: Floats, design: Design) -> Floats | None:
    """Return the SD from the median difference of pairs of a setup in a session.

    Fewer than half of the pairs may hold a wrong label. None without enough pairs.
    """
    first, second = design.pairs
    if len(first) < LEAST_PAIRS:
        return None
    apart = np.abs(values[first] - values[second])
    return 1.4826 * np.median(apart, axis=0) / np.sqrt(2.0)


def log_t(square: Floats, variance: Floats, df: int) -> Floats:
    """Return the log density of Student's t of a scale, but for a constant."""
    return -0.5 * np.log(variance) - 0.5 * (df + 1) * np.log1p(square / (df * variance))
