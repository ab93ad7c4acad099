from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nct
from scipy.stats import t as student_t

from dynostats.analysis.sequential.boundaries import exit_chances, spending_bounds
from dynostats.analysis.sequential.small_df import simulate_paths, student_levels, student_power
from dynostats.analysis.sequential.spending import RULES, levels, spent_by

STUDIES = 60_000
# Four standard errors of a share of 5% in so many studies.
TOLERANCE = 4 * np.sqrt(0.05 * 0.95 / STUDIES)


def false_claims(found, dfs, *, first, last, paired, seed):
    """Return how often any of the looks after each pair claims, where there is no effect."""
    rng = np.random.default_rng(seed)
    a, b = rng.standard_normal((2, STUDIES, last))
    claimed = np.zeros(STUDIES, dtype=bool)
    for pulls, level, df in zip(range(first, last + 1), found, dfs, strict=True):
        before, after = a[:, :pulls], b[:, :pulls]
        if paired:
            difference = after - before
            effect = difference.mean(axis=1)
            error = difference.std(axis=1, ddof=1) / np.sqrt(pulls)
        else:
            effect = after.mean(axis=1) - before.mean(axis=1)
            pooled = (before.var(axis=1, ddof=1) + after.var(axis=1, ddof=1)) / 2
            error = np.sqrt(pooled * 2 / pulls)
        if level > 0:
            claimed |= np.abs(effect / error) > student_t.isf(level / 2, df)
    return claimed.mean()


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("paired", [True, False])
@pytest.mark.parametrize(("first", "last"), [(2, 4), (3, 8)])
def test_looks_after_every_pair_keep_the_level(rule, paired, first, last):
    """Two-sample and paired t tests on plain simulated data, looked at after every pair."""
    pulls = np.arange(first, last + 1)
    dfs = pulls - 1 if paired else 2 * pulls - 2
    times = pulls / last
    found = student_levels(rule, times, dfs, looks=len(pulls), alpha=0.05)
    rate = false_claims(found, dfs, first=first, last=last, paired=paired, seed=11)
    assert rate == pytest.approx(0.05, abs=TOLERANCE)


def test_without_the_correction_the_level_is_not_kept():
    """What the levels of the Z boundary do with t tests of 1 to 3 df: see reports/looks.md."""
    pulls = np.arange(2, 5)
    found = levels("pocock", pulls / 4, looks=3, alpha=0.05)
    rate = false_claims(found, pulls - 1, first=2, last=4, paired=True, seed=12)
    assert rate > 0.05 + TOLERANCE


def test_with_many_degrees_of_freedom_it_is_the_z_boundary():
    times = [0.25, 0.5, 0.75, 1.0]
    for rule in RULES:
        z = levels(rule, times, looks=4, alpha=0.05)
        t = student_levels(rule, times, [4000, 4100, 4200, 4300], looks=4, alpha=0.05)
        assert t[2:] == pytest.approx(z[2:], rel=0.06)


def test_falling_degrees_of_freedom_count_as_unchanged():
    up = student_levels("pocock", [0.5, 1.0], [6, 6], looks=2, alpha=0.05)
    down = student_levels("pocock", [0.5, 1.0], [6, 4], looks=2, alpha=0.05)
    assert up == down


def test_power_of_one_look_is_the_noncentral_t():
    found = student_power(simulate_paths([1.0], [5]), [5], [0.05], drift=3.0)
    exact = nct.sf(student_t.isf(0.025, 5), 5, 3.0)
    assert found[0] == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 200_000))


def test_power_with_many_df_is_that_of_the_integration():
    times = [0.25, 0.5, 0.75, 1.0]
    bounds = spending_bounds(times, spent_by("lan_demets_pocock", times, looks=4, alpha=0.05))
    exact = exit_chances(times, bounds, drift=3.0).upper
    level = levels("lan_demets_pocock", times, looks=4, alpha=0.05)
    found = student_power(simulate_paths(times, [1e5] * 4), [1e5] * 4, level, drift=3.0)
    assert found == pytest.approx(exact, abs=0.005)


def test_a_share_too_small_to_simulate_is_tested_at_its_own_size():
    times = [0.1, 1.0]
    spent = spent_by("lan_demets_obrien_fleming", times, looks=2, alpha=0.05)
    found = student_levels("lan_demets_obrien_fleming", times, [3, 9], looks=2, alpha=0.05)
    assert spent[0] < 1e-8
    assert found[0] == pytest.approx(spent[0])


def test_a_look_below_the_least_level_leaves_its_share_to_the_next():
    times, dfs = [0.25, 0.5, 0.75, 1.0], [2, 4, 6, 8]
    found = student_levels("obrien_fleming", times, dfs, looks=4, alpha=0.05, least=0.005)
    free = student_levels("obrien_fleming", times, dfs, looks=4, alpha=0.05)
    assert found[:2] == (0.0, 0.0)
    assert 0.005 > free[1] > 0.0
    assert found[2] > free[2]
    z = student_power(simulate_paths(times, dfs), dfs, found, drift=0.0)
    assert 2 * z.sum() == pytest.approx(0.05, abs=0.001)
