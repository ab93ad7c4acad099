"""A second opinion that needs no noise model: relabel the pulls within their sessions."""

from __future__ import annotations

import numpy as np

from dynostats.analysis.comparison import DesignCheck, Verdict
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.permutation import PermutationTest, permute_within_blocks
from dynostats.errors import AnalysisError


def check_by_relabeling(
    study: CurveSet, verdict: Verdict, *, baseline: str, candidate: str, alpha: float
) -> DesignCheck | None:
    """Relabel the compared pulls within sessions and see how often chance does as well.

    The p value is one only if the run order was drawn at random; else it describes the data.

    Args:
        study: The study's pulls, complete on the band.
        verdict: The verdict it is to stand beside.
        baseline: Baseline setup.
        candidate: Candidate setup.
        alpha: Level.

    Returns:
        The check; None when no session holds both setups with a pull to spare.
    """
    rows = np.array([name in {baseline, candidate} for name in study.setup])
    compared = study.take(rows)
    is_candidate = np.array([name == candidate for name in compared.setup])
    try:
        test = permute_within_blocks(
            compared.log_torque, is_candidate, compared.session, alpha=alpha
        )
    except AnalysisError:  # too few pulls in any one session: there is nothing to relabel
        return None
    agrees = _agrees(test, verdict, alpha)
    return DesignCheck(
        p_value=test.p_value,
        smallest_p=test.smallest_p,
        relabelings=test.relabelings,
        exact=test.exact,
        agrees=agrees,
        text=_say(test, alpha, agrees=agrees),
    )


def _agrees(test: PermutationTest, verdict: Verdict, alpha: float) -> bool | None:
    if test.smallest_p > alpha:
        # The most extreme labelling of all is the most that so few pulls can say.
        return None
    return (test.p_value <= alpha) == (verdict in {"gain", "loss", "mixed"})


def _say(test: PermutationTest, alpha: float, *, agrees: bool | None) -> str:
    seen = f"p = {test.p_value:.3g} over {test.relabelings:,} relabelings of the pulls"
    if agrees is None:
        rank = (
            "the observed labelling is the most extreme of all"
            if np.isclose(test.p_value, test.smallest_p)
            else "other labellings are as extreme as the observed one"
        )
        return (
            f"Relabelling alone cannot decide: with so few pulls it reaches p = "
            f"{test.smallest_p:.3g} at best, above {alpha:g}; here {rank} ({seen})."
        )
    if agrees:
        return f"Relabelling the pulls agrees ({seen})."
    if test.p_value <= alpha:
        return (
            f"Relabelling the pulls finds a difference ({seen}) where the verdict claims none: it "
            "uses neither drift nor history, and a change smaller than the margin counts there."
        )
    return (
        f"Relabelling the pulls does not find the difference ({seen}): it knows only this study's "
        "pulls, while the verdict also rests on how far pulls repeated before."
    )
