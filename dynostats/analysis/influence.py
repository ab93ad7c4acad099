"""Would the answer change without one of its pulls?"""

from __future__ import annotations

import numpy as np

from dynostats.analysis.comparison import Influence
from dynostats.analysis.conclude import Conclusion, conclude
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import fit_residuals
from dynostats.analysis.effect import Effect, without_pull
from dynostats.analysis.question import Question
from dynostats.arrays import Flags

# Of more compared pulls than this only those that move the answer most are left out in turn.
MOST_LEFT_OUT = 24


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
        One entry a compared pull, of large studies the `MOST_LEFT_OUT` that move the band mean
        most; empty when a setup has a single pull or the noise is unknown. History's noise and the
        critical values are kept; the study's own noise is learned anew.
    """
    counts = [study.setup.count(name) for name in (question.baseline, question.candidate)]
    if effect.spread is None or min(counts) < 2:
        return ()
    entries: list[Influence] = []
    for row in np.flatnonzero(_worth_a_look(effect, study, question)):
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


def _worth_a_look(effect: Effect, study: CurveSet, question: Question) -> Flags:
    """Flag the compared pulls whose leaving out may move the answer most.

    Source: the infinitesimal jackknife: a pull moves a weighted sum by its weight times its
    residual. Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 20.
    """
    compared = np.isin(study.setup, [question.baseline, question.candidate])
    if compared.sum() <= MOST_LEFT_OUT:
        return compared
    residual = fit_residuals(study, drift=effect.contrast.drift_fitted).mean(axis=1)
    moves = np.where(compared, np.abs(effect.contrast.weights * residual), -1.0)
    return moves >= np.sort(moves)[-MOST_LEFT_OUT]
