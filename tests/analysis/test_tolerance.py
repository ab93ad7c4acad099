"""Exact tolerance factors against published ones."""

from __future__ import annotations

import numpy as np
import pytest

from dynostats.analysis.tolerance import tolerance_factor
from dynostats.errors import AnalysisError

# Two-sided factors, content 0.95, confidence 0.95, unknown mean and SD. ISO 16269-6:2014, annex
# table of two-sided factors (to 4 decimals there), and CRAN package tolerance 3.0.0,
# K.factor(side = 2, method = "EXACT"), which gives the same; more digits: own integration of
# Krishnamoorthy & Mathew (2009), eq. 2.3.6, in R 4.2.2.
ISO_95_95 = {
    2: 36.5192146120614,
    3: 9.78875240303194,
    4: 6.34108264085847,
    5: 5.07687453184521,
    6: 4.42215036482935,
    8: 3.74550748634254,
    10: 3.39342947871261,
    15: 2.96494057736071,
    20: 2.76034617844568,
    30: 2.55489281327769,
    43: 2.42537652742248,
    50: 2.38155974211505,
    100: 2.23388202304425,
}
# The same, content 0.90, confidence 0.99.
ISO_90_99 = {3: 18.7824489664923, 5: 6.6549296906662, 10: 3.61662109438548, 43: 2.22282517380351}


@pytest.mark.parametrize(("n", "factor"), ISO_95_95.items())
def test_published_factors_95_95(n, factor):
    assert tolerance_factor(n, n - 1) == pytest.approx(factor, rel=1e-9)


@pytest.mark.parametrize(("n", "factor"), ISO_90_99.items())
def test_published_factors_90_99(n, factor):
    assert tolerance_factor(n, n - 1, content=0.9, confidence=0.99) == pytest.approx(
        factor, rel=1e-9
    )


def test_the_handbook_example_is_near_its_approximation():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: n = 43, content 0.90, confidence
    # 0.99 gives 2.2173 by Howe's approximation, which is good to half a percent.
    assert tolerance_factor(43, 42, content=0.9, confidence=0.99) == pytest.approx(2.2173, rel=5e-3)


def test_pooled_history_makes_two_pulls_useful():
    # With 20 degrees of freedom from history instead of 1; simulated below.
    assert tolerance_factor(2, 1) == pytest.approx(36.5, abs=0.05)
    assert tolerance_factor(2, 20) == pytest.approx(3.42, abs=0.005)


def test_a_pooled_factor_keeps_its_confidence_in_simulation():
    rng = np.random.default_rng(11)
    from scipy.stats import norm  # noqa: PLC0415 - only here

    mean = rng.standard_normal(40_000) / np.sqrt(2.0)
    sd = np.sqrt(rng.chisquare(20, 40_000) / 20)
    half = tolerance_factor(2, 20) * sd
    content = norm.cdf(mean + half) - norm.cdf(mean - half)
    held = (content >= 0.95).mean()
    assert held == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 40_000))


def test_much_history_and_many_pulls_come_to_the_normal_quantile():
    assert tolerance_factor(1e6, 1e7) == pytest.approx(1.96, abs=0.002)


@pytest.mark.parametrize(
    ("arguments", "options", "said"),
    [
        ((2, 0), {}, "df is 0"),
        ((0, 5), {}, "n is 0"),
        ((2, 5), {"content": 1.0}, "content is 1"),
        ((2, 5), {"confidence": 95}, "confidence is 95"),
    ],
)
def test_impossible_questions_are_refused(arguments, options, said):
    with pytest.raises(AnalysisError, match=said):
        tolerance_factor(*arguments, **options)
