"""How likely a pull's signature is under another setup's label, learned from the other pulls.

Two labels are compared along one direction: the difference of their setups' signatures, each number
weighted by its noise. Along it stands one small mixed model (setup mean + session shift + pull
noise), whose variances are measured along that very direction, so that many numbers and few pulls
do not make the evidence look stronger than it is.

Sources: the independence rule, Bickel & Levina (2004), Bernoulli 10:989, for the direction; best
linear prediction, Henderson (1975), Biometrics 31:423; method III, Henderson (1953), Biometrics
9:226, for the session variance; variance inflation for what fits no label, Box & Tiao (1968),
Biometrika 55:119.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtrit

from dynostats.analysis.design import RANK_TOLERANCE
from dynostats.arrays import Flags, Floats, Ints

# Degrees of freedom of the pull noise without which no label is judged.
LEAST_DF = 4
# Pairs of pulls of a setup in a session whose median tells the noise in spite of wrong labels.
LEAST_PAIRS = 6
# Setups are taken to lie anywhere within some hundred noise SDs of each other.
SETUP_SD = 100.0
# A session shifts a signature by twice as much as a pull does (variance ratio 4), as long as few
# sessions say otherwise; the belief is worth this many sessions. Stated assumption.
SESSION_RATIO = 4.0
SESSION_DF = 4.0
# Another pull's label is not believed when the direction makes it wrong at these odds, which is
# what a prior of 4% asks for.
SWAP_ODDS = 24.0
MOST_SWAP_ROUNDS = 5
# A part that is no known setup moves a number by this many noise SDs.
UNKNOWN_SDS = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Labelled:
    """Signatures with their labels.

    Args:
        values: Shape (pulls, numbers).
        setup: Number of the setup on paper, shape (pulls,).
        session: Number of the session, shape (pulls,).
        resolution: Smallest noise SD believed, shape (numbers,).
        outcome: Which numbers are what comparisons ask about, shape (numbers,): off by themselves,
            they make no unknown setup.
    """

    values: Floats
    setup: Ints
    session: Ints
    resolution: Floats
    outcome: Flags


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """What the other pulls say of one pull, or of the mean of a few.

    Args:
        log_odds: Log density under each setup's label less that under the label on paper, shape
            (setups,); 0 for the label on paper, -inf where no other pull has the label.
        log_unknown: The same with one number moved that nothing known moves.
        away: Signature less prediction under the label on paper, shape (numbers,).
        sd: SD of that, shape (numbers,).
    """

    log_odds: Floats
    log_unknown: float
    away: Floats
    sd: Floats


def predict(data: Labelled, near: Flags, unit: Ints) -> Prediction | None:
    """Predict some pulls, which share setup and session, from the others.

    Args:
        data: All pulls.
        near: Shape (pulls,): pulls that may be learned from.
        unit: The pulls to predict; never learned from.

    Returns:
        The prediction; None when the others are too few, or none has the label on paper.
    """
    learn = near.copy()
    learn[unit] = False
    rows = np.flatnonzero(learn)
    label = int(data.setup[unit[0]])
    if label not in data.setup[rows]:
        return None
    others = _lay_out(data.setup[rows], data.session[rows], int(data.session[unit[0]]))
    if others.df < LEAST_DF:
        return None
    scale = np.maximum(_noise_sd(data.values[rows], others), data.resolution)
    values, own = data.values[rows] / scale, data.values[unit].mean(axis=0) / scale
    share = 1.0 / len(unit)
    log_odds = np.full(int(data.setup.max()) + 1, -np.inf)
    for setup in others.known.tolist():
        log_odds[setup] = _compare(others, values, own, label, setup, share=share)
    best = int(log_odds.argmax())
    fitted = _fit(others, values)
    moved = _log_moved(fitted, own, others.place(best), ~data.outcome, share=share)
    place = others.place(label)
    return Prediction(
        log_odds=log_odds,
        log_unknown=float(log_odds[best]) + moved,
        away=scale * (own - fitted.mean[place]),
        sd=scale * np.sqrt(fitted.variance(share)[place]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Design:
    """Who was pulled when.

    Args:
        setup: Number of the setup of each pull, shape (pulls,).
        known: Numbers of the setups among them, sorted.
        setups: Shape (pulls, setups): one where the pull is of the setup.
        sessions: Shape (pulls, sessions) likewise; the last column is the session asked about.
        hat: Fits setups and sessions together, shape (pulls, pulls).
        gained: Degrees of freedom that sessions take besides setups.
        weight: How much session variance stands in what they take.
        df: Degrees of freedom left for the pulls.
    """

    setup: Ints
    known: Ints
    setups: Floats
    sessions: Floats
    hat: Floats
    gained: int
    weight: float
    df: int

    def place(self, setup: int) -> int:
        """Return the column of a setup."""
        return int(np.searchsorted(self.known, setup))

    def columns(self) -> Floats:
        """Return setups and sessions side by side."""
        return np.hstack([self.setups, self.sessions])


def _lay_out(setup: Ints, session: Ints, here: int) -> _Design:
    known = np.unique(setup)
    setups = (setup[:, None] == known[None, :]).astype(np.float64)
    order = np.append(np.setdiff1d(session, [here]), here)
    sessions = (session[:, None] == order[None, :]).astype(np.float64)
    both = np.hstack([setups, sessions])
    hat = both @ np.linalg.pinv(both.T @ both, rcond=RANK_TOLERANCE, hermitian=True) @ both.T
    rank = round(float(np.trace(hat)))
    counts = setups.sum(axis=0)
    met = (setups.T @ sessions) ** 2 / counts[:, None]
    return _Design(
        setup=setup,
        known=known,
        setups=setups,
        sessions=sessions,
        hat=hat,
        gained=rank - len(known),
        weight=float((sessions.sum(axis=0) - met.sum(axis=0)).sum()),
        df=len(setup) - rank,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
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


def _fit(design: _Design, values: Floats, *, noise: Floats | None = None) -> _Fitted:
    """Fit setup means and session shifts to each column.

    Args:
        design: Who was pulled when.
        values: Shape (pulls, columns), in units of about their noise.
        noise: Pull variance of each column, where the residuals are not to be trusted.
    """
    residual = values - design.hat @ values
    square = (residual**2).sum(axis=0)
    if noise is not None:
        size, ratio = noise, np.full(values.shape[1], SESSION_RATIO)
    else:
        size = np.maximum(square / design.df, 1e-12)
        ratio = _session_ratio(design, values, square, size)
    columns, known = design.columns(), len(design.known)
    prior = np.full((values.shape[1], columns.shape[1]), SETUP_SD**-2)
    prior[:, known:] = 1.0 / ratio[:, None]
    precision = columns.T @ columns + prior[:, :, None] * np.eye(columns.shape[1])
    inverse = np.linalg.inv(precision).astype(np.float64, copy=False)
    centre = values.mean(axis=0)
    effects = np.einsum("dij,jd->di", inverse, columns.T @ (values - centre))
    at = np.arange(known)
    unsure = inverse[:, at, at] + 2.0 * inverse[:, at, -1] + inverse[:, -1, -1][:, None]
    return _Fitted(
        mean=(effects[:, at] + effects[:, [-1]] + centre[:, None]).T,
        noise=size,
        unsure=unsure.T,
        effects=effects,
        inverse=inverse,
        df=design.df,
    )


def _session_ratio(design: _Design, values: Floats, square: Floats, noise: Floats) -> Floats:
    """Return session variance over pull variance of each column, leaning on the stated belief."""
    means = design.setups.T @ values / design.setups.sum(axis=0)[:, None]
    taken = ((values - design.setups @ means) ** 2).sum(axis=0) - square
    seen = np.zeros(len(noise))
    if design.weight > 0.0:
        seen = np.clip((taken / noise - design.gained) / design.weight, 0.0, None)
    return (design.gained * seen + SESSION_DF * SESSION_RATIO) / (design.gained + SESSION_DF)


def _noise_sd(values: Floats, design: _Design) -> Floats:
    """Return the pull SD of each number, little moved by wrong labels where pairs are enough."""
    residual = values - design.hat @ values
    sd = np.sqrt((residual**2).sum(axis=0) / design.df)
    pairs = _pair_sd(values, design)
    return sd if pairs is None else np.minimum(sd, pairs)


def _pair_sd(values: Floats, design: _Design) -> Floats | None:
    """Return the SD from the median difference of pairs of a setup in a session.

    Fewer than half of the pairs may hold a wrong label. None without enough pairs.
    """
    alike = (design.setups @ design.setups.T) * (design.sessions @ design.sessions.T)
    first, second = np.nonzero(np.triu(alike, k=1))
    if len(first) < LEAST_PAIRS:
        return None
    apart = np.abs(values[first] - values[second])
    return 1.4826 * np.median(apart, axis=0) / np.sqrt(2.0)


def _compare(
    design: _Design, values: Floats, own: Floats, label: int, other: int, *, share: float
) -> float:
    """Return the log odds of another label against the one on paper, without any prior."""
    if other == label:
        return 0.0
    apart = _apart(design, values, label, other)
    length = float(np.linalg.norm(apart))
    if length == 0.0:  # these setups cannot be told apart by any number
        return 0.0
    direction = apart / length
    believed = _believe_labels(design, values @ direction, label, other)
    if believed.df < LEAST_DF or not {label, other} <= set(believed.known.tolist()):
        return 0.0
    fitted = _fit(believed, (values @ direction)[:, None])
    places = [believed.place(label), believed.place(other)]
    mean = fitted.mean[places, 0]
    # Along their own difference, means stand too far apart by chance; so far is believed.
    surplus = max(float(mean[1] - mean[0]) - length, 0.0)
    mean = mean + surplus * np.array([0.5, -0.5])
    variance = fitted.variance(share)[places, 0]
    # A label known more closely than the one on paper is not more likely for that.
    variance[1] = max(variance)
    log_t = _log_t((float(own @ direction) - mean) ** 2, variance, fitted.df)
    return float(log_t[1] - log_t[0])


def _apart(design: _Design, values: Floats, label: int, other: int) -> Floats:
    """Return how far two setups are believed to differ in each number, shape (numbers,).

    What chance alone would show in one of so many numbers is taken off, so that setups which leave
    no mark are not told apart. Sources: nearest shrunken centroids, Tibshirani et al. (2002), PNAS
    99:6567; the threshold of Donoho & Johnstone (1994), Biometrika 81:425; the shrinkage of Breiman
    (1995), Technometrics 37:373.
    """
    fitted = _fit(design, values)
    one, two = design.place(label), design.place(other)
    apart = fitted.mean[two] - fitted.mean[one]
    known = fitted.inverse
    unsure = known[:, one, one] + known[:, two, two] - 2.0 * known[:, one, two]
    # The normal threshold at its own level, with the noise known from so few degrees of freedom.
    tail = ndtr(-np.sqrt(2.0 * np.log(len(apart))))
    chance = stdtrit(fitted.df, tail) ** 2 * fitted.noise * unsure
    return apart * np.maximum(1.0 - chance / np.maximum(apart**2, 1e-12), 0.0)


def _believe_labels(design: _Design, along: Floats, label: int, other: int) -> _Design:
    """Take the learned pulls of two setups to be what the direction between them says.

    Several wrong labels would otherwise hide each other. Each pull is predicted from the rest.
    """
    paper = design.setup
    movable = (paper == label) | (paper == other)
    opposite = np.where(paper == label, other, label)
    pairs = _pair_sd(along[:, None], design)
    noise = None if pairs is None else np.maximum(pairs**2, 1e-12)
    here = design
    for _ in range(MOST_SWAP_ROUNDS):
        if here.df < LEAST_DF or not {label, other} <= set(here.known.tolist()):
            return design
        odds = _odds_of_swap(here, along, paper, opposite, noise=noise)
        setup = np.where(movable & (odds > np.log(SWAP_ODDS)), opposite, paper)
        if np.array_equal(setup, here.setup):
            return here
        here = _relabel(here, setup)
        noise = None
    return here


def _relabel(design: _Design, setup: Ints) -> _Design:
    session = design.sessions.argmax(axis=1)
    return _lay_out(setup, session, design.sessions.shape[1] - 1)


def _odds_of_swap(
    design: _Design, along: Floats, paper: Ints, opposite: Ints, *, noise: Floats | None
) -> Floats:
    """Return the log odds of the opposite label against paper, each pull left out of the fit."""
    fitted = _fit(design, along[:, None], noise=noise)
    columns, inverse, effects = design.columns(), fitted.inverse[0], fitted.effects[0]
    centred = along - along.mean()
    spread = columns @ inverse
    leverage = (spread * columns).sum(axis=1)
    push = (centred - columns @ effects) / (1.0 - leverage)
    logs: list[Floats] = []
    for labels in (paper, opposite):
        asked = columns.copy()
        asked[:, : len(design.known)] = labels[:, None] == design.known[None, :]
        shared = (spread * asked).sum(axis=1)
        mean = asked @ effects - shared * push
        unsure = ((asked @ inverse) * asked).sum(axis=1) + shared**2 / (1.0 - leverage)
        variance = fitted.noise[0] * (1.0 + unsure)
        logs.append(_log_t((centred - mean) ** 2, variance, fitted.df))
    return logs[1] - logs[0]


def _log_moved(fitted: _Fitted, own: Floats, place: int, movable: Flags, *, share: float) -> float:
    """Return the log odds that one number moved as no known setup moves it, against that none did.

    Args:
        fitted: The models of all numbers.
        own: The numbers of the pull.
        place: Column of the setup that fits it best.
        movable: Which numbers may have moved.
        share: As in `_Fitted.variance`.
    """
    if not movable.any():
        return -np.inf
    square = (own - fitted.mean[place]) ** 2
    variance = fitted.variance(share)[place]
    wide = variance + UNKNOWN_SDS**2 * fitted.noise
    odds = _log_t(square, wide, fitted.df) - _log_t(square, variance, fitted.df)
    return float(np.logaddexp.reduce(odds[movable]) - np.log(movable.sum()))


def _log_t(square: Floats, variance: Floats, df: int) -> Floats:
    """Return the log density of Student's t of a scale, but for a constant."""
    return -0.5 * np.log(variance) - 0.5 * (df + 1) * np.log1p(square / (df * variance))
