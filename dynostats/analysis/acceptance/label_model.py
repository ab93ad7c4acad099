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

from dynostats.analysis.acceptance.label_fit import (
    Design,
    Fitted,
    fit,
    lay_out,
    log_t,
    noise_sd,
    pair_sd,
)
from dynostats.arrays import Flags, Floats, Ints

# Degrees of freedom of the pull noise without which no label is judged.
LEAST_DF = 4
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
    others = lay_out(data.setup[rows], data.session[rows], int(data.session[unit[0]]))
    if others.df < LEAST_DF:
        return None
    scale = np.maximum(noise_sd(data.values[rows], others), data.resolution)
    values, own = data.values[rows] / scale, data.values[unit].mean(axis=0) / scale
    share = 1.0 / len(unit)
    fitted = fit(others, values)
    log_odds = np.full(int(data.setup.max()) + 1, -np.inf)
    for setup in others.known.tolist():
        between = None if setup == label else _between(others, values, fitted, label, setup)
        log_odds[setup] = _log_other(between, own, share=share)
    best = int(log_odds.argmax())
    moved = _log_moved(fitted, own, others.place(best), ~data.outcome, share=share)
    place = others.place(label)
    return Prediction(
        log_odds=log_odds,
        log_unknown=float(log_odds[best]) + moved,
        away=scale * (own - fitted.mean[place]),
        sd=scale * np.sqrt(fitted.variance(share)[place]),
    )


def weigh_exchange(data: Labelled, near: Flags, pair: Ints) -> Floats:
    """Say how likely two pulls of a session are under each other's labels.

    Both are predicted from the others at once, so that neither hides what is wrong with the other.

    Args:
        data: All pulls.
        near: Shape (pulls,): pulls that may be learned from.
        pair: Two pulls of one session with different labels; never learned from.

    Returns:
        Log densities, shape (4,), less the first: both labels right, the first pull of the
        second's setup too, the second of the first's, exchanged. Zeros where the others cannot
        tell.
    """
    learn = near.copy()
    learn[pair] = False
    rows = np.flatnonzero(learn)
    labels = data.setup[pair]
    others = lay_out(data.setup[rows], data.session[rows], int(data.session[pair[0]]))
    if others.df < LEAST_DF or not set(labels.tolist()) <= set(others.known.tolist()):
        return np.zeros(4)
    scale = np.maximum(noise_sd(data.values[rows], others), data.resolution)
    values = data.values[rows] / scale
    fitted = fit(others, values)
    between = _between(others, values, fitted, int(labels[0]), int(labels[1]))
    if between is None:
        return np.zeros(4)
    own = (data.values[pair] / scale) @ between.direction
    logs = np.array([_log_both(between, own, sides) for sides in ([0, 1], [1, 1], [0, 0], [1, 0])])
    return logs - logs[0]


def _log_both(between: _Between, own: Floats, sides: list[int]) -> float:
    """Return the log density of two pulls of the session asked about, but for a constant.

    Args:
        between: The setups' model.
        own: Both pulls along its direction.
        sides: Which of the two setups each pull is of.
    """
    fitted = between.fitted
    asked = np.zeros((2, fitted.inverse.shape[1]))
    asked[[0, 1], [between.places[side] for side in sides]] = 1.0
    asked[:, -1] = 1.0
    covariance = fitted.noise[0] * (np.eye(2) + asked @ fitted.inverse[0] @ asked.T)
    away = own - between.mean[sides]
    square = float(away @ np.linalg.solve(covariance, away))
    size = float(np.linalg.slogdet(covariance)[1])
    return -0.5 * size - 0.5 * (fitted.df + 2) * float(np.log1p(square / fitted.df))


def _log_other(between: _Between | None, own: Floats, *, share: float) -> float:
    """Return the log odds of another label against the one on paper, without any prior."""
    if between is None:  # the same label, or nothing tells them apart
        return 0.0
    variance = between.fitted.variance(share)[between.places, 0]
    # A label known more closely than the one on paper is not more likely for that.
    variance[1] = max(variance)
    square = (float(own @ between.direction) - between.mean) ** 2
    logs = log_t(square, variance, between.fitted.df)
    return float(logs[1] - logs[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Between:
    """Two setups along the direction in which their signatures differ.

    Args:
        direction: Shape (numbers,), of length 1.
        fitted: The model of the signatures along it.
        places: Columns of the label on paper and of the other one.
        mean: What it predicts of both in the session asked about, shape (2,).
    """

    direction: Floats
    fitted: Fitted
    places: list[int]
    mean: Floats


def _between(
    design: Design, values: Floats, fitted: Fitted, label: int, other: int
) -> _Between | None:
    """Lay two setups out along their difference; None where nothing tells them apart.

    Args:
        design: Who was pulled when.
        values: The signatures, in units of about their noise.
        fitted: The models of all numbers.
        label: The setup on paper.
        other: The other one.
    """
    apart = _apart(fitted, design.place(label), design.place(other))
    length = float(np.linalg.norm(apart))
    if length == 0.0:
        return None
    direction = apart / length
    believed = _believe_labels(design, values @ direction, label, other)
    if believed.df < LEAST_DF or not {label, other} <= set(believed.known.tolist()):
        return None
    along = fit(believed, (values @ direction)[:, None])
    places = [believed.place(label), believed.place(other)]
    mean = along.mean[places, 0]
    # Along their own difference, means stand too far apart by chance; so far is believed.
    surplus = max(float(mean[1] - mean[0]) - length, 0.0)
    return _Between(
        direction=direction,
        fitted=along,
        places=places,
        mean=mean + surplus * np.array([0.5, -0.5]),
    )


def _apart(fitted: Fitted, one: int, two: int) -> Floats:
    """Return how far two setups are believed to differ in each number, shape (numbers,).

    What chance alone would show in one of so many numbers is taken off, so that setups which leave
    no mark are not told apart. Sources: nearest shrunken centroids, Tibshirani et al. (2002), PNAS
    99:6567; the threshold of Donoho & Johnstone (1994), Biometrika 81:425; the shrinkage of Breiman
    (1995), Technometrics 37:373.
    """
    apart = fitted.mean[two] - fitted.mean[one]
    known = fitted.inverse
    unsure = known[:, one, one] + known[:, two, two] - 2.0 * known[:, one, two]
    # The normal threshold at its own level, with the noise known from so few degrees of freedom.
    tail = ndtr(-np.sqrt(2.0 * np.log(len(apart))))
    chance = stdtrit(fitted.df, tail) ** 2 * fitted.noise * unsure
    return apart * np.maximum(1.0 - chance / np.maximum(apart**2, 1e-12), 0.0)


def _believe_labels(design: Design, along: Floats, label: int, other: int) -> Design:
    """Take the learned pulls of two setups to be what the direction between them says.

    Several wrong labels would otherwise hide each other. Each pull is predicted from the rest.
    """
    paper = design.setup
    movable = np.flatnonzero((paper == label) | (paper == other))
    opposite = np.where(paper[movable] == label, other, label)
    pairs = pair_sd(along[:, None], design)
    noise = None if pairs is None else np.maximum(pairs**2, 1e-12)
    here = design
    for _ in range(MOST_SWAP_ROUNDS):
        if here.df < LEAST_DF or not {label, other} <= set(here.known.tolist()):
            return design
        odds = _odds_of_swap(here, along, movable, (paper[movable], opposite), noise=noise)
        setup = paper.copy()
        setup[movable] = np.where(odds > np.log(SWAP_ODDS), opposite, paper[movable])
        if np.array_equal(setup, here.setup):
            return here
        here = _relabel(here, setup)
        noise = None
    return here


def _relabel(design: Design, setup: Ints) -> Design:
    session = design.sessions.argmax(axis=1)
    return lay_out(setup, session, design.sessions.shape[1] - 1)


def _odds_of_swap(
    design: Design,
    along: Floats,
    rows: Ints,
    labels: tuple[Ints, Ints],
    *,
    noise: Floats | None,
) -> Floats:
    """Return the log odds of the second label against the first, each pull left out of the fit.

    Args:
        design: Who was pulled when.
        along: All pulls along one direction.
        rows: The pulls asked about.
        labels: Two setups of each, shape (rows,) each.
        noise: As in `fit`.
    """
    fitted = fit(design, along[:, None], noise=noise)
    columns, inverse, effects = design.columns[rows], fitted.inverse[0], fitted.effects[0]
    centred = along[rows] - along.mean()
    spread = columns @ inverse
    leverage = (spread * columns).sum(axis=1)
    push = (centred - columns @ effects) / (1.0 - leverage)
    logs: list[Floats] = []
    for setup in labels:
        asked = columns.copy()
        asked[:, : len(design.known)] = setup[:, None] == design.known[None, :]
        shared = (spread * asked).sum(axis=1)
        mean = asked @ effects - shared * push
        unsure = ((asked @ inverse) * asked).sum(axis=1) + shared**2 / (1.0 - leverage)
        variance = fitted.noise[0] * (1.0 + unsure)
        logs.append(log_t((centred - mean) ** 2, variance, fitted.df))
    return logs[1] - logs[0]


def _log_moved(fitted: Fitted, own: Floats, place: int, movable: Flags, *, share: float) -> float:
    """Return the log odds that one number moved as no known setup moves it, against that none did.

    Args:
        fitted: The models of all numbers.
        own: The numbers of the pull.
        place: Column of the setup that fits it best.
        movable: Which numbers may have moved.
        share: As in `Fitted.variance`.
    """
    if not movable.any():
        return -np.inf
    square = (own - fitted.mean[place]) ** 2
    variance = fitted.variance(share)[place]
    wide = variance + UNKNOWN_SDS**2 * fitted.noise
    odds = log_t(square, wide, fitted.df) - log_t(square, variance, fitted.df)
    return float(np.logaddexp.reduce(odds[movable]) - np.log(movable.sum()))
