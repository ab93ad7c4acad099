"""How shops and handbooks judge the same pulls; none of them knows any history."""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

ALPHA = 0.05
# By eye: one mean curve lies this far off the other over at least 200 rpm, five speeds of 50 rpm.
EYE_PCT, EYE_SPEEDS = 1.0, 5
HAS_SPM1D = importlib.util.find_spec("spm1d") is not None
RIVALS = ("overlay", "t test a speed", "t test, Holm", "random field")


def judge_rivals(before, after, effects, *, paired: bool) -> Iterator[tuple[str, str]]:
    """Yield the events of one study: (method, 'judged'), (method, 'gain 1.5') and so on.

    Args:
        before: Log curves of the baseline, shape (pulls, speeds).
        after: The same of the candidate, without any effect.
        effects: True effects to add, percent at each speed, by name.
        paired: Whether the pulls alternated, so that the random-field test takes pairs.
    """
    limit = field_limit(before, after, paired=paired) if len(before) > 1 else None
    for name, truth in effects.items():
        claims = claims_of(before, after + np.log1p(truth / 100.0))
        if limit is not None:
            # An effect leaves the residuals, and with them the limit, as they are.
            z = (limit.difference + np.log1p(truth / 100.0)) / limit.error
            claims["random field"] = (z > limit.z_star, z < -limit.z_star)
        for method, (gain, loss) in claims.items():
            if name == "0":
                yield method, "judged"
            if gain.any() and not loss.any():
                yield method, f"gain {name}"
            if (gain & (truth <= 0)).any() or (loss & (truth >= 0)).any():
                yield method, f"false claim {name}"


def claims_of(before, after):
    """Return by rival at which speeds it claims a gain and at which a loss."""
    difference = after.mean(axis=0) - before.mean(axis=0)
    limit = np.log1p(EYE_PCT / 100.0)
    claims = {"overlay": (long_runs(difference > limit), long_runs(difference < -limit))}
    if len(before) < 2:
        return claims
    df = len(before) + len(after) - 2
    pooled = (before.var(axis=0) * len(before) + after.var(axis=0) * len(after)) / df
    statistic = difference / np.sqrt(pooled * (1.0 / len(before) + 1.0 / len(after)))
    p_value = 2.0 * student_t.sf(np.abs(statistic), df)
    for name, rejects in (
        ("t test a speed", p_value <= ALPHA),
        ("t test, Holm", holm(p_value, ALPHA)),
    ):
        claims[name] = (rejects & (statistic > 0), rejects & (statistic < 0))
    return claims


def holm(p_value, alpha: float):
    """Flag what Holm (1979), Scandinavian Journal of Statistics 6:65, rejects."""
    order = np.argsort(p_value)
    passes = p_value[order] <= alpha / np.arange(len(p_value), 0, -1)
    flags = np.zeros(len(p_value), dtype=bool)
    flags[order] = np.logical_and.accumulate(passes)
    return flags


def long_runs(flags):
    """Keep only the runs of flags that are long enough for the eye."""
    kept = np.zeros_like(flags)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    for first, last in edges.reshape(-1, 2):
        if last - first >= EYE_SPEEDS:
            kept[first:last] = True
    return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldLimit:
    """The random-field test of a study: difference, its standard error, and the limit."""

    difference: np.ndarray
    error: np.ndarray
    z_star: float


def field_limit(before, after, *, paired: bool) -> FieldLimit | None:
    """Judge with spm1d, pairs or two groups; None where it is not installed."""
    if not HAS_SPM1D:
        return None
    tests = importlib.import_module("spm1d").stats
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of its own syntax and of old numpy calls
        if paired:
            found = tests.ttest_paired(after, before)
        else:
            found = tests.ttest2(after, before, equal_var=True)
        z_star = float(found.inference(ALPHA, two_tailed=True).zstar)
    difference = after.mean(axis=0) - before.mean(axis=0)
    return FieldLimit(difference=difference, error=difference / found.z, z_star=z_star)
