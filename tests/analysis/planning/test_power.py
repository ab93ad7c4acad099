from __future__ import annotations

import math

import pytest

from dynostats.analysis.planning.power import detectable_ratio, t_power

# Computed with statsmodels 0.15.0, stats.power: TTestIndPower().solve_power(nobs1=n,
# alpha=alpha / 2, power=0.8, alternative="larger"), effects in SDs of one group. Half the level
# and one side, because only a find on the effect's own side counts.
TWO_GROUPS = [
    (2, 0.025, 8.010423716772161),
    (2, 0.05, 5.65348934168001),
    (3, 0.025, 3.7427841362449965),
    (3, 0.05, 3.070892846966387),
    (5, 0.025, 2.327754354259031),
    (5, 0.05, 2.024441845772666),
    (12, 0.025, 1.336049086593184),
    (12, 0.05, 1.1968133420402756),
]
# TTestPower().power(effect, nobs=n, alpha=0.025, alternative="larger").
PAIRS = [
    (3, 0.5, 0.07893147718643734),
    (3, 1.0, 0.17861005524801665),
    (3, 2.0, 0.4707477061929428),
    (6, 0.5, 0.1693238626224547),
    (6, 1.0, 0.5068166814068775),
    (6, 2.0, 0.9705035691763313),
    (20, 0.5, 0.5644828966786231),
    (20, 1.0, 0.988591294544292),
]


def test_three_pulls_a_side_see_what_the_tables_say():
    """Two groups of 3: 3.07 SD; 3 pairs: 3.26 SD of the differences (alpha 0.05, power 0.8)."""
    groups = detectable_ratio(df=4, alpha=0.05, power=0.8) * math.sqrt(2 / 3)
    pairs = detectable_ratio(df=2, alpha=0.05, power=0.8) / math.sqrt(3)
    assert groups == pytest.approx(3.07, abs=0.005)
    assert pairs == pytest.approx(3.26, abs=0.005)


@pytest.mark.parametrize(("n", "alpha", "expected"), TWO_GROUPS)
def test_two_groups_against_statsmodels(n, alpha, expected):
    ours = detectable_ratio(df=2 * n - 2, alpha=alpha, power=0.8) * math.sqrt(2 / n)
    assert ours == pytest.approx(expected, rel=2e-6)  # their search for the root ends about there


@pytest.mark.parametrize(("n", "effect", "expected"), PAIRS)
def test_pairs_against_statsmodels(n, effect, expected):
    assert t_power(effect * math.sqrt(n), df=n - 1, alpha=0.05) == pytest.approx(expected, rel=1e-7)


def test_published_examples():
    """Source: R 4 documentation of power.t.test, its first two examples (from memory)."""
    assert t_power(math.sqrt(20 / 2), df=38, alpha=0.05) == pytest.approx(0.8689528, abs=5e-8)
    n = 22.02110
    delta = detectable_ratio(df=2 * n - 2, alpha=0.05, power=0.9) * math.sqrt(2 / n)
    assert delta == pytest.approx(1.0, abs=1e-6)


def test_cohens_64_a_group_see_half_a_standard_deviation():
    """Source: Cohen (1988), Statistical Power Analysis, table 2.4.1 (from memory)."""
    assert t_power(0.5 * math.sqrt(64 / 2), df=126, alpha=0.05) == pytest.approx(0.80, abs=0.005)


def test_power_without_effect_is_one_side_of_the_level():
    assert t_power(0.0, df=7.5, alpha=0.05) == pytest.approx(0.025)


def test_power_grows_with_effect_df_and_level():
    assert t_power(2.0, df=5, alpha=0.05) < t_power(3.0, df=5, alpha=0.05)
    assert t_power(3.0, df=5, alpha=0.05) < t_power(3.0, df=50, alpha=0.05)
    assert t_power(3.0, df=5, alpha=0.025) < t_power(3.0, df=5, alpha=0.05)


@pytest.mark.parametrize("df", [1.0, 2.0, 4.4, 300.0])
def test_a_detectable_effect_is_found_as_often_as_asked(df):
    for power in (0.5, 0.8, 0.99):
        ratio = detectable_ratio(df=df, alpha=0.05, power=power)
        assert t_power(ratio, df=df, alpha=0.05) == pytest.approx(power, abs=1e-7)
