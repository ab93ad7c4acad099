"""A look at a declared study: at which level, what it says to do, and what one more would say."""

from __future__ import annotations

from collections.abc import Sequence

from scipy.stats import t as student_t

from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.analysis.effect import MEANS_SHARE
from dynostats.analysis.planning.declaration import Declaration, Look
from dynostats.analysis.question import LEAST_ALPHA
from dynostats.analysis.sequential.small_df import student_levels
from dynostats.analysis.sequential.spending import RULES, Rule

# More degrees of freedom than this are a known standard error.
MOST_DF = 1000.0
DECISIONS: dict[Verdict, str] = {
    "gain": "stop: gain",
    "loss": "stop: loss",
    "mixed": "stop: mixed",
    "no_meaningful_change": "stop: no meaningful change",
    "undecided": "go on",
}
_RULES: dict[str, Rule] = {str(rule): rule for rule in RULES}
OUT_OF_PULLS = "stop: undecided, all planned pulls are in"


def rule_of(declared: Declaration) -> Rule:
    """Return the rule that was declared."""
    return _RULES[declared.rule]


def information_share(found: Comparison, declared: Declaration) -> float:
    """Return the share of the planned information that is in, at most 1.

    Information is one over the variance of the effect that pull noise alone gives: the planned
    study's is that of an order which cancels everything else.
    """
    factor = found.method["pull_factor"]
    if not isinstance(factor, float) or factor <= 0.0:
        msg = "a comparison names the factor of its pull variance"
        raise TypeError(msg)
    return min(2.0 / declared.pulls_per_setup / factor, 1.0)


def degrees_of_freedom(found: Comparison) -> float:
    """Return the degrees of freedom that the simulated critical value of the mean amounts to."""
    critical = found.method["mean_critical_value"]
    if not isinstance(critical, float):
        return 0.0
    tail = MEANS_SHARE * found.alpha / 2.0
    if critical <= float(student_t.isf(tail, MOST_DF)):
        return MOST_DF
    low, high = 0.5, MOST_DF
    while high - low > 1e-3 * low:
        middle = (low + high) / 2.0
        low, high = (
            (middle, high) if float(student_t.isf(tail, middle)) > critical else (low, middle)
        )
    return high


def levels_of(
    declared: Declaration, taken: Sequence[Look], coming: Sequence[tuple[float, float]]
) -> tuple[float, ...]:
    """Return the two-sided level of each look to come; 0 where nothing may be claimed.

    Args:
        declared: The question, with its rule, its alpha and how many looks were planned.
        taken: The looks before.
        coming: Share of the planned information and degrees of freedom at each look to come; the
            shares increase, and lie above those of the looks before.
    """
    before = [(look.information, look.df) for look in taken]
    every = [*before, *coming]
    found = student_levels(
        rule_of(declared),
        [share for share, _ in every],
        [df for _, df in every],
        looks=declared.looks,
        alpha=declared.alpha,
        least=LEAST_ALPHA,
    )
    return found[len(before) :]


def decide_look(verdict: Verdict, *, last: bool) -> str:
    """Return what a look says to do.

    Args:
        verdict: Of the comparison at the look's level; undecided where nothing could be claimed.
        last: Whether all planned pulls are in.
    """
    return OUT_OF_PULLS if last and verdict == "undecided" else DECISIONS[verdict]
