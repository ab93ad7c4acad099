"""How much of the accepted error is spent by each look, and the level that leaves at each."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import cache
from typing import Literal, get_args

import numpy as np
from scipy.stats import norm

from dynostats.analysis.sequential.boundaries import exit_chances, shaped_bounds, spending_bounds
from dynostats.errors import AnalysisError

Rule = Literal["pocock", "obrien_fleming", "lan_demets_pocock", "lan_demets_obrien_fleming"]
RULES: tuple[Rule, ...] = get_args(Rule)
MOST_LOOKS = 50


def spent_by(rule: Rule, times: Sequence[float], *, looks: int, alpha: float) -> tuple[float, ...]:
    """Return the two-sided error that a rule has spent up to each look.

    The two classical boundaries are turned into what they spend at their own equal looks, joined
    by straight lines: a look that comes a little early or late then keeps the total. The other two
    are the spending functions of Lan & DeMets (1983), Biometrika 70:659.

    Args:
        rule: The rule.
        times: Share of the planned information at each look; above 1 counts as 1.
        looks: Looks planned, for the classical rules.
        alpha: Two-sided error over all looks.
    """
    share = np.clip(np.array(times, dtype=np.float64), 0.0, 1.0)
    match rule:
        case "lan_demets_pocock":
            spent = alpha * np.log1p((np.e - 1.0) * share)
        case "lan_demets_obrien_fleming":
            # Half of alpha on each side.
            quantile = norm.isf(alpha / 4.0)
            with np.errstate(divide="ignore"):
                spent = 4.0 * norm.sf(quantile / np.sqrt(share))
        case "pocock" | "obrien_fleming":
            planned = np.arange(looks + 1) / looks
            spent = np.interp(share, planned, (0.0, *_classical(rule, looks, alpha)))
    return tuple(spent.tolist())


@cache
def _classical(rule: Rule, looks: int, alpha: float) -> tuple[float, ...]:
    """Return what a classical boundary has spent by each of its looks."""
    bounds = shaped_bounds(looks, alpha, power=0.0 if rule == "pocock" else -0.5)
    exits = exit_chances([at / looks for at in range(1, looks + 1)], bounds)
    spent = np.cumsum(exits.upper + exits.lower)
    return tuple((spent * (alpha / spent[-1])).tolist())


def levels(rule: Rule, times: Sequence[float], *, looks: int, alpha: float) -> tuple[float, ...]:
    """Return the two-sided level of the test at each look, 0 where nothing may be claimed.

    A level and not a boundary of Z, so that it serves any statistic whose distribution is known:
    with few degrees of freedom Student's t, or the simulated one of a comparison. Source: Jennison
    & Turnbull (2000), section 4.4 (the significance level approach for unknown variance).

    Args:
        rule: The rule.
        times: Share of the planned information at each look, increasing.
        looks: Looks planned.
        alpha: Two-sided error over all looks.

    Raises:
        AnalysisError: Looks or information are out of range.
    """
    check_times(times, looks)
    spent = spent_by(rule, times, looks=looks, alpha=alpha)
    bounds = spending_bounds(times, spent)
    return tuple(2.0 * float(norm.sf(bound)) for bound in bounds)


def check_times(times: Sequence[float], looks: int) -> None:
    """Do nothing if looks can be taken as asked.

    Raises:
        AnalysisError: Looks or information are out of range.
    """
    if not 1 <= looks <= MOST_LOOKS:
        raise AnalysisError(
            f"looks is {looks}; it must lie between 1 and {MOST_LOOKS}", where="--looks"
        )
    if any(later <= before for before, later in itertools.pairwise(times)):
        raise AnalysisError("a look added no information; there is nothing new to look at")
