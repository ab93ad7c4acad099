"""The effects of a family of questions, with the pulls they rest on."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from dynostats.analysis.advice import PARTED
from dynostats.analysis.case import Case, open_case
from dynostats.analysis.conditions import Conditions, Footing
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import DRAWS, Effect, estimate_effects
from dynostats.analysis.question import Question
from dynostats.analysis.study import Study


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimated:
    """Effects of a family of questions.

    Args:
        case: What the answers may look at.
        footing: How the pulls were brought to one correction.
        everything: All pulls in scope on the band.
        own: Those of the studies, complete on the band.
        effects: One a question.
    """

    case: Case
    footing: Footing
    everything: CurveSet
    own: CurveSet
    effects: tuple[Effect, ...]


def estimate_studies(
    studies: tuple[Study, ...],
    questions: tuple[Question, ...],
    curves: pl.DataFrame,
    conditions: Conditions,
    *,
    draws: int = DRAWS,
) -> Estimated:
    """Estimate the effects of some candidates against one baseline.

    Args:
        studies: One a question, all on one dyno.
        questions: One a candidate; all but the candidate is the same.
        curves: One row a pull and grid speed: pull, rpm, torque (N.m).
        conditions: How the pulls were measured.
        draws: Simulated studies behind the critical values.

    Raises:
        AnalysisError: As in `compare`.
    """
    first = questions[0]
    case = open_case(studies, questions, curves, conditions)
    footing = case.stand_on(first.correction)
    everything, own = case.cut(footing, first.band)
    found = estimate_effects(
        everything,
        own,
        baseline=first.baseline,
        candidates=case.candidates,
        alpha=first.alpha,
        draws=draws,
    )
    effects = tuple(
        effect.withheld(PARTED) if study.parted else effect
        for study, effect in zip(studies, found, strict=True)
    )
    return Estimated(case=case, footing=footing, everything=everything, own=own, effects=effects)
