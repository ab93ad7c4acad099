from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from dynostats.analysis.sequential.boundaries import exit_chances, shaped_bounds, spending_bounds
from dynostats.analysis.sequential.spending import RULES, levels, spent_by
from dynostats.errors import AnalysisError

# Jennison & Turnbull (2000), Group Sequential Methods, table 2.1: Pocock's constants for two-sided
# tests, by alpha, for 1 to 10 looks (quoted in several public implementations, looked up).
POCOCK = {
    0.01: [2.576, 2.772, 2.873, 2.939, 2.986, 3.023, 3.053, 3.078, 3.099, 3.117],
    0.05: [1.960, 2.178, 2.289, 2.361, 2.413, 2.453, 2.485, 2.512, 2.535, 2.555],
    0.10: [1.645, 1.875, 1.992, 2.067, 2.122, 2.164, 2.197, 2.225, 2.249, 2.270],
}
# The same, table 2.3: O'Brien and Fleming's constants at 0.05, for 1 to 10 looks (looked up).
OBRIEN_FLEMING = [1.960, 1.977, 2.004, 2.024, 2.040, 2.053, 2.063, 2.072, 2.080, 2.087]
# Spending functions at five equal looks, two-sided 0.05 (Reboussin, DeMets, Kim & Lan (2000),
# Controlled Clinical Trials 21:190, the program's worked example; looked up where others quote it
# to four decimals for O'Brien-Fleming; the Pocock type from memory).
SPENDING = {
    "lan_demets_obrien_fleming": [4.8769, 3.3569, 2.6803, 2.2898, 2.0310],
    "lan_demets_pocock": [2.4380, 2.4268, 2.4101, 2.3966, 2.3859],
}
# The chance of a false claim when 1.96 is used at every one of so many equal looks. Source:
# Armitage, McPherson & Rowe (1969), table 2 (from memory).
REPEATED = {1: 0.050, 2: 0.083, 3: 0.107, 4: 0.126, 5: 0.142, 10: 0.193}

FIVE = [0.2, 0.4, 0.6, 0.8, 1.0]


def equal(looks):
    return [at / looks for at in range(1, looks + 1)]


@pytest.mark.parametrize("alpha", POCOCK)
@pytest.mark.parametrize("looks", [1, 2, 3, 5, 10])
def test_pococks_constants(looks, alpha):
    bounds = shaped_bounds(looks, alpha, power=0.0)
    assert len(set(bounds)) == 1
    assert bounds[0] == pytest.approx(POCOCK[alpha][looks - 1], abs=6e-4)


@pytest.mark.parametrize("looks", [1, 2, 3, 4, 5, 6, 10])
def test_obrien_and_flemings_constants(looks):
    bounds = shaped_bounds(looks, 0.05, power=-0.5)
    assert bounds[-1] == pytest.approx(OBRIEN_FLEMING[looks - 1], abs=6e-4)
    assert bounds[0] == pytest.approx(bounds[-1] * np.sqrt(looks))


@pytest.mark.parametrize("rule", SPENDING)
def test_spending_functions(rule):
    bounds = spending_bounds(FIVE, spent_by(rule, FIVE, looks=5, alpha=0.05))
    assert bounds == pytest.approx(SPENDING[rule], abs=2e-4)


@pytest.mark.parametrize("looks", REPEATED)
def test_looking_again_and_again_at_five_percent(looks):
    found = exit_chances(equal(looks), [1.96] * looks).total
    assert found == pytest.approx(REPEATED[looks], abs=6e-4)


def test_a_single_look_is_the_plain_test():
    exits = exit_chances([1.0], [1.959964], drift=2.8)
    assert exits.upper[0] == pytest.approx(norm.sf(1.959964 - 2.8), abs=1e-9)
    assert exits.lower[0] == pytest.approx(norm.cdf(-1.959964 - 2.8), abs=1e-9)


def test_every_path_crosses_first_somewhere_or_nowhere():
    """Against plain simulation of the score, with a drift and unequal looks."""
    rng = np.random.default_rng(7)
    times, bounds, drift = np.array([0.15, 0.5, 0.9, 1.0]), [2.6, 2.3, 2.2, 2.1], 1.7
    steps = np.diff(times, prepend=0.0)
    score = np.cumsum(rng.normal(drift * steps, np.sqrt(steps), (400_000, 4)), axis=1)
    z = score / np.sqrt(times)
    crossed = np.abs(z) > bounds
    first = np.where(crossed.any(axis=1), crossed.argmax(axis=1), -1)
    exits = exit_chances(times, bounds, drift=drift)
    for look in range(4):
        up = np.mean((first == look) & (z[:, look] > 0))
        error = np.sqrt(up * (1 - up) / 400_000)
        assert exits.upper[look] == pytest.approx(up, abs=4.5 * error + 1e-6)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("times", [FIVE, [0.1, 0.35, 0.4, 1.0], [0.7], [0.3, 0.6]])
def test_no_more_is_spent_than_allowed(rule, times):
    spent = spent_by(rule, times, looks=5, alpha=0.05)
    bounds = spending_bounds(times, spent)
    assert exit_chances(times, bounds).total == pytest.approx(spent[-1], abs=1e-8)
    assert spent[-1] <= 0.05 + 1e-12
    if times[-1] == 1.0:
        assert spent[-1] == pytest.approx(0.05)


@pytest.mark.parametrize(("rule", "power"), [("pocock", 0.0), ("obrien_fleming", -0.5)])
def test_classical_rules_at_their_own_looks_are_the_classical_boundaries(rule, power):
    bounds = spending_bounds(FIVE, spent_by(rule, FIVE, looks=5, alpha=0.05))
    assert bounds == pytest.approx(shaped_bounds(5, 0.05, power=power), abs=1e-5)


def test_nothing_is_left_after_the_planned_information():
    found = levels("lan_demets_pocock", [0.5, 1.0, 1.3], looks=2, alpha=0.05)
    assert found[2] == 0.0
    assert all(0 < level < 0.05 for level in found[:2])


def test_a_look_without_news_is_refused():
    with pytest.raises(AnalysisError, match="no information"):
        levels("pocock", [0.5, 0.5], looks=2, alpha=0.05)
    with pytest.raises(AnalysisError, match="looks is 0"):
        levels("pocock", [0.5], looks=0, alpha=0.05)
