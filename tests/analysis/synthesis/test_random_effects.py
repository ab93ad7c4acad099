"""Random-effects synthesis against published and computed references."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from dynostats.analysis.synthesis.random_effects import fit_at, synthesise
from dynostats.errors import AnalysisError

# The thirteen trials of BCG vaccination, log risk ratios and their variances: Colditz et al.
# (1994), J. American Medical Association 271:698, as `dat.bcg` of Viechtbauer (2010), J.
# Statistical Software 36(3). Expected figures: computed with R 4.2.2, metafor 3.8.1,
# rma(yi, vi, method = "REML", test = "knha"); the paper prints tau^2 0.3132 and mean -0.7145.
EFFECTS = np.array(
    [
        -0.889311333920205,
        -1.58538865720143,
        -1.34807314829969,
        -1.44155119002131,
        -0.217547322211296,
        -0.786115585818864,
        -1.62089822359839,
        0.0119523335238405,
        -0.469417648738149,
        -1.37134480347278,
        -0.339358828338391,
        0.445913400571379,
        -0.0173139482168798,
    ]
)
VARIANCES = np.array(
    [
        0.325584765003961,
        0.194581121398144,
        0.415367965367965,
        0.0200100319022476,
        0.0512101721696309,
        0.00690561845590876,
        0.223017247572315,
        0.00396157929781773,
        0.056434210463249,
        0.0730247936130289,
        0.0124122139715597,
        0.532505845200153,
        0.0714046596839863,
    ]
)
# Absolute latitude of the trials, from memory of the same data set.
LATITUDE = np.array([44.0, 55, 42, 52, 13, 44, 19, 13, 27, 42, 18, 33, 33])


@pytest.fixture(scope="module")
def bcg():
    return synthesise(EFFECTS, np.diag(VARIANCES))


def test_mean_and_interval_are_those_of_the_reference(bcg):
    assert bcg.coefficients[0] == pytest.approx(-0.71453234215814, abs=1e-6)
    assert bcg.errors[0] == pytest.approx(0.180791744092848, abs=1e-6)
    assert (bcg.low[0], bcg.high[0]) == pytest.approx(
        (-1.10844371368555, -0.320620970630728), abs=1e-5
    )
    assert bcg.p_values[0] == pytest.approx(0.0019200150960573, rel=1e-4)
    assert bcg.df == 12


def test_the_variance_between_studies_is_that_of_the_reference(bcg):
    assert bcg.tau2 == pytest.approx(0.313243258136486, rel=1e-5)
    # The reference finds its bounds to R's default tolerance, .Machine$double.eps^0.25 = 1.2e-4;
    # the definition, Q(tau^2) = quantile of chi-square, holds here to rounding.
    assert bcg.tau2_low == pytest.approx(0.119695312816638, abs=1.2e-4)
    assert bcg.tau2_high == pytest.approx(1.11148626221544, abs=1.2e-4)
    ones = np.ones((13, 1))
    for bound, level in ((bcg.tau2_low, 0.975), (bcg.tau2_high, 0.025)):
        squares = fit_at(bound, EFFECTS, np.diag(VARIANCES), ones).squares
        assert squares == pytest.approx(chi2.ppf(level, 12), rel=1e-8)
    assert bcg.heterogeneity == pytest.approx(152.233008082373, rel=1e-9)
    assert bcg.heterogeneity_p == pytest.approx(1.99676459084597e-26, rel=1e-6)
    assert 100 * bcg.i2 == pytest.approx(92.2213845212691, rel=1e-6)


def test_the_prediction_interval_is_that_of_the_reference(bcg):
    assert bcg.prediction == pytest.approx((-1.99601683419621, 0.566952149879933), abs=1e-5)


def test_a_moderator_gives_the_printed_meta_regression():
    # Latitude alone, REML: tau^2 0.0764, intercept 0.2515, slope -0.0291 with Wald error 0.0072
    # (documentation of metafor, from memory; rounded as printed there, and its iterations stop at a
    # change of 1e-5).
    found = synthesise(EFFECTS, np.diag(VARIANCES), LATITUDE[:, None])
    assert found.tau2 == pytest.approx(0.0764, abs=6e-5)
    assert found.coefficients.tolist() == pytest.approx([0.2515, -0.0291], abs=5e-5)
    wald = found.errors / np.sqrt(max(1.0, found.scale))
    assert wald.tolist() == pytest.approx([0.2491, 0.0072], abs=5e-5)
    assert found.prediction is None


def test_the_scale_never_narrows_the_interval():
    alike = np.array([0.010, 0.0101, 0.0099, 0.010])
    found = synthesise(alike, np.diag(np.full(4, 0.01**2)))
    assert found.scale < 1.0
    assert found.errors[0] == pytest.approx(0.01 / 2.0, rel=1e-9)
    assert found.tau2 == 0.0


def test_studies_that_share_their_baseline_count_less():
    effects, variance = np.array([0.02, 0.021, 0.019, 0.022]), 0.01**2
    apart = synthesise(effects, variance * np.eye(4))
    shared = synthesise(effects, variance * (0.5 * np.eye(4) + 0.5))
    assert shared.errors[0] > 1.5 * apart.errors[0]


def test_shifting_all_effects_shifts_the_mean_alone(bcg):
    moved = synthesise(EFFECTS + 1.0, np.diag(VARIANCES))
    assert moved.coefficients[0] == pytest.approx(bcg.coefficients[0] + 1.0, abs=1e-7)
    assert moved.tau2 == pytest.approx(bcg.tau2, rel=1e-6)


@pytest.mark.parametrize("studies", [1, 2])
def test_two_studies_are_no_synthesis(studies):
    with pytest.raises(AnalysisError, match="no synthesis"):
        synthesise(np.zeros(studies), np.eye(studies))
