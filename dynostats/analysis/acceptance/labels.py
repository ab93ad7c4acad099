"""Do a pull's data look like the setup on its label, like another one, or like none?

It proposes; a person looks at the paperwork and the engine, and amends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.special import logsumexp

from dynostats.analysis.acceptance.finding import PullFinding, Severity
from dynostats.analysis.acceptance.label_model import Labelled, Prediction, predict
from dynostats.analysis.acceptance.signature import Signatures
from dynostats.arrays import Flags, Floats, Ints

# Stated prior: of a hundred labels four are those of another known setup and one of none.
P_OTHER = 0.04
P_UNKNOWN = 0.01
# A label is called into question when it is more likely wrong than right.
QUESTIONED = 0.5
# Beyond so many pulls of an engine only those nearest in the order of storing are learned from.
MOST_LEARNED = 150
# A quantity speaks against the label when it lies this many SDs off.
SPEAKS_SDS = 2.5
SCHEMA = {
    "pull": pl.String,
    "setup": pl.String,
    "probability": pl.Float64,
    "looks_like": pl.String,
    "probability_other": pl.Float64,
    "probability_unknown": pl.Float64,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelJudgement:
    """What the data say of the labels of one engine on one dyno.

    Args:
        table: One row a judged pull: pull, setup (on paper), probability that it is right,
            looks_like (most probable other setup; null if no other is known), probability of that
            one, and of no known setup.
        findings: Labels called into question.
        cannot_tell: Why labels could not be judged; "" when all were.
    """

    table: pl.DataFrame
    findings: tuple[PullFinding, ...]
    cannot_tell: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """The pulls that are judged.

    Args:
        pulls: One row a pull.
        signatures: Their signatures, row by row, all whole.
        setups: Names of the setups, sorted; their places are their numbers.
    """

    pulls: pl.DataFrame
    signatures: Signatures
    setups: list[str]

    def label(self, unit: Ints) -> str:
        """Return what the paperwork says of some pulls that share it."""
        return self.pulls["setup"][int(unit[0])]

    def labelled(self) -> Labelled:
        """Return the case as arrays."""
        places = {name: number for number, name in enumerate(self.setups)}
        _, session = np.unique(self.pulls["session"].to_numpy(), return_inverse=True)
        count = len(self.signatures.names)
        return Labelled(
            values=self.signatures.values,
            setup=np.array([places[name] for name in self.pulls["setup"]], dtype=np.intp),
            session=session.astype(np.intp),
            resolution=np.repeat(self.signatures.resolution, 2) * np.tile([1.0, 2.0], count),
            channels=np.repeat(np.arange(count), 2),
            outcome=self.signatures.names.index("torque") if self._has_torque() else -1,
        )

    def _has_torque(self) -> bool:
        return "torque" in self.signatures.names


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Belief:
    """Probabilities of one unit of pulls that share session and setup.

    Args:
        unit: Rows of the pulls.
        right: Probability of the label on paper.
        other: Number of the most probable other setup; -1 if no other is known.
        p_other: Probability of that one.
        unknown: Probability of no known setup.
        prediction: What they follow from.
    """

    unit: Ints
    right: float
    other: int
    p_other: float
    unknown: float
    prediction: Prediction

    def questioned(self) -> bool:
        """Return whether another setup, or none, is more likely than not."""
        return max(self.p_other, self.unknown) > QUESTIONED

    def set_aside(self, alone: Flags, shared: Flags) -> bool:
        """Return whether all its pulls teach nothing any more."""
        return bool((alone | shared)[self.unit].all())


def judge_labels(pulls: pl.DataFrame, signatures: Signatures, accepted: Flags) -> LabelJudgement:
    """Judge the labels of one engine's pulls on one dyno.

    Each pull is predicted from the others under each setup's label; so is each setup's share of a
    session as a whole, since a wrong part may be on all day. Pulls called into question teach
    nothing to the rest: the worst are set aside, one a setup, until none is left.

    Args:
        pulls: One row a pull: pull, session, setup.
        signatures: Their signatures, row by row.
        accepted: Shape (pulls,): pulls that are judged and learned from.

    Returns:
        The judgement. Probabilities rest on the stated prior (5% of labels wrong).
    """
    usable = accepted & signatures.whole()
    why_not = _why_not(pulls, signatures, usable)
    if why_not:
        return LabelJudgement(table=pl.DataFrame(schema=SCHEMA), findings=(), cannot_tell=why_not)
    own = pulls.filter(pl.Series(usable))
    case = _Case(
        pulls=own,
        signatures=replace(signatures, values=signatures.values[usable]),
        setups=sorted(own["setup"].unique()),
    )
    alone = np.zeros(own.height, dtype=np.bool_)  # set aside by themselves
    shared = np.zeros(own.height, dtype=np.bool_)  # set aside with all of their setup that session
    while True:
        beliefs = _believe(case, ~(alone | shared), alone)
        wrong = [one for one in beliefs if one.questioned() and not one.set_aside(alone, shared)]
        if not wrong:
            break
        for belief in _worst_each(wrong, case):
            (alone if len(belief.unit) == 1 else shared)[belief.unit] = True
    sound = ~(alone | shared)
    told = [
        finding
        for belief in beliefs
        if belief.questioned()
        for finding in _tell(belief, case, sound)
    ]
    judged = {int(row) for belief in beliefs for row in belief.unit}
    return LabelJudgement(
        table=_table(beliefs, case),
        findings=_once_each(told),
        cannot_tell=_name_unjudged(own, judged),
    )


def _why_not(pulls: pl.DataFrame, signatures: Signatures, usable: Flags) -> str:
    if not signatures.names:
        return "labels: no channel that marks a setup is logged in most pulls"
    own = pulls.filter(pl.Series(usable))
    repeated = own.height - own.select("session", "setup").unique().height
    if own.height < 2 or (repeated == 0 and own["setup"].n_unique() == own.height):
        return "labels: no setup was pulled twice, so nothing tells how alike its pulls look"
    return ""


def _believe(case: _Case, sound: Flags, alone: Flags) -> list[_Belief]:
    """Return the belief of every pull, and of every setup's share of a session.

    Args:
        case: The pulls.
        sound: Pulls that may be learned from.
        alone: Pulls questioned by themselves: no part of their setup's share.
    """
    data = case.labelled()
    beliefs: list[_Belief] = []
    for unit in _units(data, alone):
        prediction = predict(data, _near(unit, sound, data), unit)
        if prediction is not None:
            beliefs.append(_weigh(unit, prediction, int(data.setup[unit[0]])))
    return beliefs


def _units(data: Labelled, alone: Flags) -> Iterator[Ints]:
    """Yield every pull alone, then the pulls of a setup in a session where there are several."""
    for row in range(len(data.setup)):
        yield np.array([row], dtype=np.intp)
    for key in np.unique(np.column_stack([data.session, data.setup]), axis=0):
        rows = np.flatnonzero((data.session == key[0]) & (data.setup == key[1]) & ~alone)
        if len(rows) > 1:
            yield rows


def _near(unit: Ints, sound: Flags, data: Labelled) -> Flags:
    """Return the sound pulls nearest to a unit in the order of storing, its session whole."""
    if len(sound) <= MOST_LEARNED:
        return sound
    distance = np.abs(np.arange(len(sound)) - int(unit[0]))
    distance[data.session == data.session[unit[0]]] = 0
    near = np.zeros_like(sound)
    near[np.argsort(distance, kind="stable")[:MOST_LEARNED]] = True
    return near & sound


def _weigh(unit: Ints, prediction: Prediction, label: int) -> _Belief:
    """Turn densities into probabilities, with the stated prior."""
    logs = prediction.log_density.copy()
    others = np.isfinite(logs)
    others[label] = False
    known = int(others.sum())
    logs[others] += np.log(P_OTHER / max(known, 1))
    logs[label] += np.log(1.0 - P_UNKNOWN - (P_OTHER if known else 0.0))
    unknown = prediction.log_unknown + np.log(P_UNKNOWN)
    total = float(logsumexp(np.append(logs, unknown)))
    share: Floats = np.exp(logs - total)
    other = int(np.where(others, share, -1.0).argmax()) if known else -1
    return _Belief(
        unit=unit,
        right=float(share[label]),
        other=other,
        p_other=float(share[other]) if known else 0.0,
        unknown=float(np.exp(unknown - total)),
        prediction=prediction,
    )


def _worst_each(wrong: list[_Belief], case: _Case) -> list[_Belief]:
    """Return the least credible unit of each setup: it has moved what the others are held to."""
    worst: dict[str, _Belief] = {}
    for belief in wrong:
        setup = case.label(belief.unit)
        if setup not in worst or belief.right < worst[setup].right:
            worst[setup] = belief
    return list(worst.values())


def _table(beliefs: list[_Belief], case: _Case) -> pl.DataFrame:
    rows = [
        (
            case.pulls["pull"][int(belief.unit[0])],
            case.label(belief.unit),
            belief.right,
            case.setups[belief.other] if belief.other >= 0 else None,
            belief.p_other,
            belief.unknown,
        )
        for belief in beliefs
        if len(belief.unit) == 1
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _tell(belief: _Belief, case: _Case, sound: Flags) -> Iterator[PullFinding]:
    """Put a label called into question in words, for every pull it concerns."""
    names = case.pulls["pull"].gather(belief.unit).to_list()
    label = case.label(belief.unit)
    speaking = _speaking(belief, case.signatures, case.setups.index(label))
    whole = f" So do all {len(names)} pulls of it in this session." if len(names) > 1 else ""
    severity: Severity = "doubtful"
    if belief.p_other > belief.unknown:
        other = case.setups[belief.other]
        caution = _caution_torque(belief, case, sound)
        severity = "note" if caution else "doubtful"
        check = "label_other_setup"
        message = (
            f"The label says '{label}', but the data look like '{other}' (probability "
            f"{_chance(belief.p_other)}): {speaking}.{whole}{caution} Look at its line of the "
            f"sheet and at what was fitted. If it was '{other}': dynostats amend {{pull}} "
            f'"setup={other}" --why "…".'
        )
    else:
        check = "label_no_known_setup"
        message = (
            f"The label says '{label}', but the data look like no setup known of this engine "
            f"(probability {_chance(belief.unknown)}): {speaking}.{whole} Look at its line of the "
            "sheet, at what was fitted, and at the sensors named."
        )
    for pull in names:
        yield PullFinding(
            pull=pull, check=check, severity=severity, message=message.replace("{pull}", pull)
        )


def _caution_torque(belief: _Belief, case: _Case, sound: Flags) -> str:
    """Torque is what comparisons are about: by itself it is no reason to move a pull."""
    if "torque" not in case.signatures.names:
        return ""
    rest = case.signatures.without("torque")
    if rest.names:
        data = _Case(pulls=case.pulls, signatures=rest, setups=case.setups).labelled()
        label = int(data.setup[belief.unit[0]])
        prediction = predict(data, _near(belief.unit, sound, data), belief.unit)
        again = None if prediction is None else _weigh(belief.unit, prediction, label)
        if again and again.other == belief.other and again.p_other > QUESTIONED:
            return ""
    return (
        " Torque alone says so, and torque is what a comparison asks about: no reason to move a "
        "pull without other evidence."
    )


def _speaking(belief: _Belief, signatures: Signatures, label: int) -> str:
    """Name the quantities that lie furthest off what the label predicts."""
    away, sd = belief.prediction.away[label], belief.prediction.sd[label]
    parts: list[tuple[float, str]] = []
    for place, (name, unit) in enumerate(zip(signatures.names, signatures.units, strict=True)):
        sizes = np.abs(away[2 * place : 2 * place + 2] / sd[2 * place : 2 * place + 2])
        part = int(sizes.argmax())
        value = float(away[2 * place + part])
        course = "" if part == 0 else " more at high than at low speed"
        parts.append((float(sizes.max()), f"{name} {value:+.3g} {unit}{course}"))
    parts.sort(reverse=True)
    shown = [text for size, text in parts if size > SPEAKS_SDS][:3] or [parts[0][1]]
    return f"{', '.join(shown)} against the label's other pulls"


def _chance(probability: float) -> str:
    return "more than 99.9%" if probability > 0.999 else f"{probability:.1%}"


def _once_each(findings: list[PullFinding]) -> tuple[PullFinding, ...]:
    """Keep the last finding of a pull: that of the whole session tells more than its own."""
    return tuple({finding.pull: finding for finding in findings}.values())


def _name_unjudged(own: pl.DataFrame, judged: set[int]) -> str:
    missing = [setup for row, setup in enumerate(own["setup"]) if row not in judged]
    if not missing:
        return ""
    names = ", ".join(f"'{name}'" for name in sorted(set(missing)))
    return (
        f"labels: {len(missing)} pull(s) of {names}: too few other pulls of the same setup to tell "
        "what its data look like"
    )
