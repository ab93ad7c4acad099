"""How probable each pull's label is, with the stated prior, one by one and in pairs."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from dynostats.analysis.acceptance.label_model import (
    Labelled,
    Prediction,
    predict,
    weigh_exchange,
)
from dynostats.arrays import Flags, Floats, Ints

# Stated prior: of a hundred labels four are those of another known setup and one of none. No
# published source; the probabilities told scale with it.
P_OTHER = 0.04
P_UNKNOWN = 0.01
# Besides, of a hundred pulls two stand on each other's line: exchanged within their session.
P_EXCHANGED = 0.02
# A wrong part on the engine all day is rarer than a wrong line of the sheet by this factor.
ALL_DAY = 0.25
# A label is called into question when it is more likely wrong than right; from the smaller
# probability on it is worth a look.
QUESTIONED = 0.5
WORTH_A_LOOK = 0.25
# Two pulls are looked at together when, one by one, the odds that each is the other's setup come to
# more than this (log): of pairs that turn out exchanged hardly one has less.
PAIR_SCREEN = 0.0
# Place of it in what `weigh_exchange` returns.
EXCHANGED = 3
# Beyond so many pulls of an engine only those nearest in the order of storing are learned from.
MOST_LEARNED = 150


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Belief:
    """Probabilities of one unit of pulls that share session and setup.

    Args:
        unit: Rows of the pulls.
        right: Probability of the label on paper.
        log_right: Its log, exact where it is too small for a number.
        other: Number of the most probable other setup; -1 if no other is known.
        p_other: Probability of that one.
        unknown: Probability of no known setup.
        prediction: What they follow from.
        partner: The pull of the session that it seems exchanged with; -1 for none.
    """

    unit: Ints
    right: float
    log_right: float
    other: int
    p_other: float
    unknown: float
    prediction: Prediction
    partner: int = -1

    def doubt(self) -> float:
        """Return the probability of the one thing most likely to be wrong with the label."""
        return max(self.p_other, self.unknown)


def believe_all(data: Labelled) -> list[Belief]:
    """Return one belief a pull, or one of all of a setup's share of a session that is in doubt."""
    beliefs = _with_exchanges(data, _believe_each(data))
    sound = np.array(
        [row not in beliefs or beliefs[row].doubt() <= QUESTIONED for row in range(len(data.setup))]
    )
    together = [believe(data, rows, ~sound) for rows in _shares(data, np.flatnonzero(sound))]
    shares = [one for one in together if one is not None and one.doubt() > QUESTIONED]
    covered = {row for one in shares for row in one.unit.tolist()}
    return [*shares, *(one for row, one in beliefs.items() if row not in covered)]


def _believe_each(data: Labelled) -> dict[int, Belief]:
    """Return the belief about each pull that the others tell something of, by its row.

    The pull least likely to be what its label says is set aside and the rest judged anew without
    it, until none is in doubt: an odd pull makes those beside it look odd. In the end each of those
    set aside is judged once more, without the others.
    """
    units = [np.array([row], dtype=np.intp) for row in range(len(data.setup))]
    aside = np.zeros(len(units), dtype=np.bool_)
    each = [believe(data, unit, aside) for unit in units]
    while True:
        doubted = [
            one
            for row, one in enumerate(each)
            if one is not None and not aside[row] and one.doubt() > QUESTIONED
        ]
        if not doubted:
            break
        worst = int(min(doubted, key=lambda one: one.log_right).unit[0])
        aside[worst] = True
        for row, unit in enumerate(units):
            if not aside[row] and _near(unit, data)[worst]:
                each[row] = believe(data, unit, aside)
    for row in np.flatnonzero(aside).tolist():
        each[row] = believe(data, units[row], aside)
    return {row: one for row, one in enumerate(each) if one is not None}


def _with_exchanges(data: Labelled, beliefs: dict[int, Belief]) -> dict[int, Belief]:
    """Put in, for pulls more likely exchanged than anything else, what that makes of them.

    Two exchanged pulls hide each other when judged one by one, and each has half of the evidence.
    """
    doubted = [row for row, one in beliefs.items() if one.doubt() > QUESTIONED]
    aside = np.zeros(len(data.setup), dtype=np.bool_)
    aside[doubted] = True
    pairs: list[tuple[Floats, tuple[int, int]]] = []
    for pair in _pairs_in_question(data, beliefs):
        chances = chances_of_pair(data, pair, aside)
        if chances.argmax() == EXCHANGED and chances[EXCHANGED] > WORTH_A_LOOK:
            pairs.append((chances, pair))
    changed: dict[int, Belief] = {}
    for chances, pair in sorted(pairs, key=lambda one: one[0][EXCHANGED], reverse=True):
        if changed.keys().isdisjoint(pair):
            for row, partner, alone in zip(pair, pair[::-1], (1, 2), strict=True):
                wrong = float(chances[EXCHANGED] + chances[alone])
                changed[row] = _exchanged(beliefs[row], data, partner, wrong)
    return beliefs | changed


def _pairs_in_question(data: Labelled, beliefs: dict[int, Belief]) -> Iterator[tuple[int, int]]:
    """Yield pairs of pulls of a session with different labels that may be exchanged."""
    rows = np.array(sorted(beliefs), dtype=np.intp)
    for session in np.unique(data.session[rows]):
        own = rows[data.session[rows] == session].tolist()
        for row, other in itertools.combinations(own, 2):
            if data.setup[row] != data.setup[other]:
                for_one = beliefs[row].prediction.log_odds[data.setup[other]]
                for_two = beliefs[other].prediction.log_odds[data.setup[row]]
                if for_one + for_two > PAIR_SCREEN:
                    yield row, other


def chances_of_pair(data: Labelled, pair: tuple[int, int], aside: Flags) -> Floats:
    """Return the probabilities, shape (4,): as on paper, first wrong, second wrong, exchanged."""
    rows = np.array(pair, dtype=np.intp)
    logs = weigh_exchange(data, _near(rows[:1], data) & ~aside, rows)
    here = data.session == data.session[rows[0]]
    partners = max(int((here & (data.setup != data.setup[row])).sum()) for row in pair)
    single = P_OTHER / (len(np.unique(data.setup)) - 1)
    exchanged = P_EXCHANGED / partners
    logs = logs + np.log([1.0 - 2.0 * single - exchanged, single, single, exchanged])
    return np.exp(logs - np.logaddexp.reduce(logs))


def _exchanged(belief: Belief, data: Labelled, partner: int, wrong: float) -> Belief:
    """Return what a pull seems to be if two lines are exchanged.

    Args:
        belief: About the pull by itself.
        data: All pulls.
        partner: The pull it seems exchanged with.
        wrong: Probability that it is of the partner's setup.
    """
    other = int(data.setup[partner])
    if belief.other == other and belief.p_other >= wrong:
        return replace(belief, partner=partner)
    rest = (1.0 - wrong) / max(belief.right + belief.unknown, 1e-12)
    return replace(
        belief,
        right=belief.right * rest,
        other=other,
        p_other=wrong,
        unknown=belief.unknown * rest,
        partner=partner,
    )


def _shares(data: Labelled, rows: Ints) -> Iterator[Ints]:
    """Yield those of some pulls that share setup and session, where they are several."""
    keys = np.column_stack([data.session[rows], data.setup[rows]])
    for key in np.unique(keys, axis=0):
        alike = rows[np.all(keys == key, axis=1)]
        if len(alike) > 1:
            yield alike


def believe(data: Labelled, unit: Ints, aside: Flags) -> Belief | None:
    """Return the belief about some pulls; None where the others do not tell."""
    prediction = predict(data, _near(unit, data) & ~aside, unit)
    return None if prediction is None else _weigh(unit, prediction, int(data.setup[unit[0]]))


def _near(unit: Ints, data: Labelled) -> Flags:
    """Return the pulls nearest to a unit in the order of storing, its session whole."""
    count = len(data.setup)
    near = np.zeros(count, dtype=np.bool_)
    distance = np.abs(np.arange(count) - int(unit[0]))
    distance[data.session == data.session[unit[0]]] = 0
    near[np.argsort(distance, kind="stable")[:MOST_LEARNED]] = True
    return near


def _weigh(unit: Ints, prediction: Prediction, label: int) -> Belief:
    """Turn odds into probabilities, with the stated prior."""
    logs = prediction.log_odds.copy()
    others = np.isfinite(logs)
    others[label] = False
    known = int(others.sum())
    rarer = 1.0 if len(unit) == 1 else ALL_DAY
    p_other, p_unknown = rarer * P_OTHER, rarer * P_UNKNOWN
    logs[others] += np.log(p_other / max(known, 1))
    logs[label] += np.log(1.0 - p_unknown - (p_other if known else 0.0))
    unknown = prediction.log_unknown + np.log(p_unknown)
    total = float(np.logaddexp.reduce(np.append(logs, unknown)))
    share: Floats = np.exp(logs - total)
    other = int(np.where(others, share, -1.0).argmax()) if known else -1
    return Belief(
        unit=unit,
        right=float(share[label]),
        log_right=float(logs[label]) - total,
        other=other,
        p_other=float(share[other]) if known else 0.0,
        unknown=float(np.exp(unknown - total)),
        prediction=prediction,
    )
