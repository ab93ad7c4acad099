"""The same comparison under every other correction: does the verdict hang on it?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dynostats.analysis.case import Case
from dynostats.analysis.comparison import CorrectionOutcome, Verdict
from dynostats.analysis.conclude import conclude
from dynostats.analysis.conditions import NOTHING_SAID, Footing
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import Effect, on_other_curves
from dynostats.analysis.question import Question
from dynostats.curves.correction import NONE, STANDARDS, Standard
from dynostats.errors import AnalysisError


def correct_otherwise(
    case: Case, footing: Footing, effects: tuple[Effect, ...], questions: tuple[Question, ...]
) -> tuple[tuple[CorrectionOutcome, ...], ...]:
    """Answer again under no correction and under each standard for that kind of engine.

    The noise is learned anew from the pulls so corrected; the critical values are kept.

    Args:
        case: What the comparison may look at.
        footing: What it stands on.
        effects: Its effects, one a question.
        questions: What was asked.

    Returns:
        By question one outcome a correction, none first, the one in force among them; empty where
        the air was not read.
    """
    if not case.has_air():
        return tuple(() for _ in questions)
    band = (float(effects[0].rpm[0]), float(effects[0].rpm[-1]))
    verdicts: list[Verdict] = [
        conclude(effect, question, mean_kw=1.0).verdict
        for effect, question in zip(effects, questions, strict=True)
    ]
    found: list[list[CorrectionOutcome]] = [[] for _ in questions]
    done = [(case.cut(footing, band)[0], effects)]
    for name in _names(case, footing.correction):
        try:
            other = case.stand_on(name)
            everything, own = case.cut(other, band)
        except AnalysisError as error:
            for outcomes in found:
                outcomes.append(_refused(name, error))
            continue
        again = _effects_on(case, everything, own, effects, done)
        for at, (effect, question) in enumerate(zip(again, questions, strict=True)):
            outcome = _outcome(name, other, own, effect, question)
            found[at].append(replace(outcome, differs=outcome.verdict != verdicts[at]))
    return tuple(tuple(outcomes) for outcomes in found)


def warn_corrections(outcomes: Sequence[CorrectionOutcome], verdict: Verdict) -> tuple[str, ...]:
    """Say which corrections give another verdict."""
    groups: dict[Verdict, list[CorrectionOutcome]] = {}
    for one in outcomes:
        if one.differs and one.verdict is not None:
            groups.setdefault(one.verdict, []).append(one)
    if not groups:
        return ()
    told = "; ".join(
        f"{_words(other)} under {', '.join(one.name for one in group)} ({_numbers(group[0])})"
        for other, group in groups.items()
    )
    return (f"The verdict hangs on the ambient correction: {_words(verdict)} here, {told}.",)


def _names(case: Case, in_force: str) -> list[str]:
    """Return the corrections for the kind of engine compared."""
    said = {
        case.conditions.facts.get(case.filed.pull[row], NOTHING_SAID).ignition
        for row in np.flatnonzero(case.compared)
    } - {None}
    kind = STANDARDS[in_force].ignition if in_force != NONE else "spark"
    wanted = said or {kind}

    def fits(standard: Standard) -> bool:
        return standard.ignition in wanted

    return [NONE, *(name for name, standard in STANDARDS.items() if fits(standard))]


def _effects_on(
    case: Case,
    everything: CurveSet,
    own: CurveSet,
    effects: tuple[Effect, ...],
    done: list[tuple[CurveSet, tuple[Effect, ...]]],
) -> tuple[Effect, ...]:
    """Return the effects on curves; those of a standard of the same formula are used again."""
    for curves, known in done:
        if curves.pull == everything.pull and np.array_equal(
            curves.log_torque, everything.log_torque, equal_nan=True
        ):
            return known
    again = on_other_curves(
        effects, everything, own, baseline=case.baseline, candidates=case.candidates
    )
    done.append((everything, again))
    return again


def _outcome(
    name: str, footing: Footing, own: CurveSet, effect: Effect, question: Question
) -> CorrectionOutcome:
    """Return an outcome; whether it differs is not told yet."""
    found = conclude(effect, question, mean_kw=1.0)
    return CorrectionOutcome(
        name=name,
        verdict=found.verdict,
        effect_pct=found.overall.effect_pct,
        low_pct=found.overall.low_pct,
        high_pct=found.overall.high_pct,
        baseline_factor=footing.factors(own, question.baseline),
        candidate_factor=footing.factors(own, question.candidate),
        differs=False,
        note=" ".join(footing.marks),
    )


def _refused(name: str, error: AnalysisError) -> CorrectionOutcome:
    return CorrectionOutcome(
        name=name,
        verdict=None,
        effect_pct=None,
        low_pct=None,
        high_pct=None,
        baseline_factor=None,
        candidate_factor=None,
        differs=False,
        note=f"{error.headline()}.",
    )


def _words(verdict: Verdict) -> str:
    return verdict.replace("_", " ")


def _numbers(one: CorrectionOutcome) -> str:
    if one.low_pct is None or one.high_pct is None:
        return f"{one.effect_pct:+.2f}%"
    return f"{one.effect_pct:+.2f}%, {one.low_pct:+.2f} to {one.high_pct:+.2f}%"
