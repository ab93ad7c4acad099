"""A quick look at what the full tables of reports/history.md show."""

from __future__ import annotations

import numpy as np
import pytest
from calibrate_history import TRUTHS, cover_next, judge
from scipy.stats import binom

pytestmark = pytest.mark.calibration

HISTORIES = 60


def allowed(count, rate=0.05):
    """Return a count that a rate exceeds once in a thousand."""
    return int(binom.ppf(0.999, count, rate))


@pytest.mark.parametrize("name", list(TRUTHS))
def test_the_mean_and_the_next_engine_lie_within_their_bounds(name):
    rng = np.random.default_rng(11)
    mean, following, _ = cover_next(5, 0.015, TRUTHS[name], rng, HISTORIES)
    assert HISTORIES - mean <= allowed(HISTORIES)
    assert HISTORIES - following <= allowed(HISTORIES)


def test_where_nothing_is_true_a_history_seldom_finds_anything():
    rng = np.random.default_rng(12)
    false = sum(judge(np.zeros(10), rng, shared=0.0).false_share > 0 for _ in range(HISTORIES))
    assert false <= allowed(HISTORIES)


def test_few_of_what_is_found_are_false_and_true_ones_are_found():
    rng = np.random.default_rng(13)
    draw = TRUTHS["four in five are zero"]
    judged = [judge(0.01 * draw(15, rng), rng, shared=0.5) for _ in range(HISTORIES)]
    shares = np.array([one.false_share for one in judged])
    # The mean share is at most 5%, four standard errors of luck allowed.
    assert shares.mean() <= 0.05 + 4.0 * shares.std() / np.sqrt(HISTORIES)
    assert np.mean([one.found for one in judged]) > 0.25


def test_the_luck_of_the_largest_is_taken_out():
    rng = np.random.default_rng(14)
    judged = [judge(0.01 * TRUTHS["normal"](12, rng), rng, shared=0.0) for _ in range(HISTORIES)]
    raw = np.array([one.bias_raw for one in judged])
    left = np.array([one.bias_left for one in judged])
    assert raw.mean() > 3.0 * raw.std() / np.sqrt(HISTORIES)  # the largest is too large by itself
    assert abs(left.mean()) < 3.0 * left.std() / np.sqrt(HISTORIES)
    missed = sum(not one.covered_left for one in judged)
    assert missed <= allowed(HISTORIES)


def test_a_pooling_that_ignored_the_engines_would_fail_here():
    # The check can fail: taking all engines as alike, the next one is missed most of the time.
    rng = np.random.default_rng(11)
    missed = 0
    for _ in range(HISTORIES):
        truth = 0.01 + 0.015 * rng.standard_normal(6)
        seen = truth[:-1] + 0.004 * rng.standard_normal(5)
        missed += abs(truth[-1] - seen.mean()) > 1.96 * 0.004 / np.sqrt(5)
    assert missed > allowed(HISTORIES)
