"""Do a pull's data look like the setup on its label, like another one, or like none?

It proposes; a person looks at the paperwork and the engine, and amends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from dynostats.analysis.acceptance.finding import PullFinding, Severity
from dynostats.analysis.acceptance.label_belief import (
    EXCHANGED,
    QUESTIONED,
    WORTH_A_LOOK,
    Belief,
    believe,
    believe_all,
    chances_of_pair,
)
from dynostats.analysis.acceptance.label_model import Labelled, Prediction
from dynostats.analysis.acceptance.signature import OUTCOME, Signatures
from dynostats.arrays import Flags, Ints

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
            outcome=np.repeat([name == OUTCOME for name in self.signatures.names], 2),
        )


def judge_labels(pulls: pl.DataFrame, signatures: Signatures, accepted: Flags) -> LabelJudgement:
    """Judge the labels of one engine's pulls on one dyno.

    Each pull is predicted from the others under each setup's label; so is each setup's share of a
    session as a whole, since a wrong part may be on all day.

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
    beliefs = believe_all(case.labelled())
    told = [
        finding
        for belief in beliefs
        if belief.doubt() > WORTH_A_LOOK
        for finding in _tell(belief, case)
    ]
    judged = {int(row) for belief in beliefs for row in belief.unit}
    return LabelJudgement(
        table=_table(beliefs, case),
        findings=tuple(told),
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


def _table(beliefs: list[Belief], case: _Case) -> pl.DataFrame:
    of_row = {row: belief for belief in beliefs for row in belief.unit.tolist()}
    rows = [
        (
            case.pulls["pull"][row],
            case.pulls["setup"][row],
            belief.right,
            case.setups[belief.other] if belief.other >= 0 else None,
            belief.p_other,
            belief.unknown,
        )
        for row, belief in sorted(of_row.items(), key=lambda item: item[0])
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _tell(belief: Belief, case: _Case) -> Iterator[PullFinding]:
    """Put a label called into question in words, for every pull it concerns."""
    names = case.pulls["pull"].gather(belief.unit).to_list()
    label = case.label(belief.unit)
    speaking = _speaking(belief.prediction, case.signatures)
    whole = (
        f" All {len(names)} pulls of it in this session ({', '.join(names)}) look so."
        if len(names) > 1
        else ""
    )
    caution = ""
    if belief.p_other > belief.unknown:
        other = case.setups[belief.other]
        caution = _caution_torque(belief, case)
        check = "label_other_setup"
        partner = (
            f" Those of {case.pulls['pull'][belief.partner]} look like '{label}': the two may "
            "stand on each other's line."
            if belief.partner >= 0
            else ""
        )
        message = (
            f"The label says '{label}', but the data look like '{other}' (probability "
            f"{_chance(belief.p_other)}): {speaking}.{whole}{partner}{caution} Look at its "
            f"line of the sheet and at what was fitted. If it was '{other}': dynostats amend "
            f'{{pull}} "setup={other}" --why "…"'
        )
    else:
        check = "label_no_known_setup"
        message = (
            f"The label says '{label}', but the data look like no setup known of this engine "
            f"(probability {_chance(belief.unknown)}): {speaking}.{whole} Look at its line of the "
            "sheet, at what was fitted, and at the sensors named."
        )
    severity: Severity = "note" if caution or belief.doubt() <= QUESTIONED else "doubtful"
    for pull in names:
        yield PullFinding(
            pull=pull, check=check, severity=severity, message=message.replace("{pull}", pull)
        )


def _caution_torque(belief: Belief, case: _Case) -> str:
    """Torque is what comparisons are about: by itself it is no reason to move a pull."""
    if OUTCOME not in case.signatures.names:
        return ""
    rest = case.signatures.without(OUTCOME)
    if rest.names:
        reduced = _Case(pulls=case.pulls, signatures=rest, setups=case.setups).labelled()
        nobody = np.zeros(len(reduced.setup), dtype=np.bool_)
        if belief.partner >= 0:
            pair = (int(belief.unit[0]), belief.partner)
            if chances_of_pair(reduced, pair, nobody)[EXCHANGED] > WORTH_A_LOOK:
                return ""
        again = believe(reduced, belief.unit, nobody)
        if again and again.other == belief.other and again.p_other > WORTH_A_LOOK:
            return ""
    return (
        " Torque alone says so, and torque is what a comparison asks about: no reason to move a "
        "pull without other evidence."
    )


def _speaking(prediction: Prediction, signatures: Signatures) -> str:
    """Name the quantities that lie furthest off what the label predicts."""
    away, sd = prediction.away, prediction.sd
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


def _name_unjudged(own: pl.DataFrame, judged: set[int]) -> str:
    missing = [setup for row, setup in enumerate(own["setup"]) if row not in judged]
    if not missing:
        return ""
    names = ", ".join(f"'{name}'" for name in sorted(set(missing)))
    return (
        f"labels: {len(missing)} pull(s) of {names}: too few other pulls of the same setup to tell "
        "what its data look like"
    )
