"""Would the answer change without one of its pulls?"""

from __future__ import annotations

import numpy as np

from dynostats.analysis.comparison import Influence
from dynostats.analysis.conclude import Conclusion, conclude
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import Effect, without_pull
from dynostats.analysis.question import Question


def leave_each_out(
    effect: Effect, study: CurveSet, question: Question, found: Conclusion, *, mean_kw: float
) -> tuple[Influence, ...]:
    """Answer again without each compared pull in turn.

    Args:
        effect: The effect of the whole study.
        study: The study's pulls.
        question: What was asked.
        found: What the whole study says.
        mean_kw: Baseline power, mean over the band, kW.

    Returns:
        One entry a compared pull; empty when a setup has a single pull or the noise is unknown.
        History's noise and the critical values are kept; the study's own noise is learned anew.
    """
    counts = [study.setup.count(name) for name in (question.baseline, question.candidate)]
    if effect.spread is None or min(counts) < 2:
        return ()
    entries: list[Influence] = []
    for row, name in enumerate(study.setup):
        if name not in {question.baseline, question.candidate}:
            continue
        keep = np.arange(len(study)) != row
        left = without_pull(
            effect,
            study.take(keep),
            baseline=question.baseline,
            candidate=question.candidate,
        )
        again = conclude(left, question, mean_kw=mean_kw)
        overall = again.overall
        if overall.low_pct is None or overall.high_pct is None:
            continue
        entries.append(
            Influence(
                pull=study.pull[row],
                verdict=again.verdict,
                effect_pct=overall.effect_pct,
                low_pct=overall.low_pct,
                high_pct=overall.high_pct,
                changes=again.verdict != found.verdict,
            )
        )
    return tuple(entries)
