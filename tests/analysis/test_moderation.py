from __future__ import annotations

import numpy as np
import pytest
from scipy.special import polygamma
from scipy.stats import t as student_t

from dynostats.analysis.moderation import (
    PRIOR_DF_GRID,
    PriorFit,
    fit_prior,
    moderate,
    weigh_prior_df,
)

# limma 3.54.1 in R 4.2.2: squeezeVar and fitFDist, the method of Smyth (2004).
EQUAL_DF = np.array([1.2, 0.12, 6.5, 0.4, 1.9, 0.35, 9.1, 0.06, 1.4, 0.7])
UNEQUAL = np.array(
    [0.0391, 1.717, 1.483, 0.6568, 0.191, 0.4097, 1.206, 0.7541, 0.09417, 0.1541, 1.568, 0.2399]
)
UNEQUAL_DF = np.array([2.0, 2, 3, 5, 2, 4, 8, 2, 3, 6, 2, 2])


def test_prior_of_groups_with_equal_df_as_limma_finds_it():
    prior = fit_prior(EQUAL_DF, np.full(10, 3.0))
    assert prior.variance == pytest.approx(0.667865367722793, rel=1e-8)
    assert prior.df == pytest.approx(2.01925799670864, rel=1e-8)
    posterior = [0.985921123748575, 0.3404073840435, 4.15372003156052, 0.507762798041112]
    posterior += [1.40430965874261, 0.477877902684396, 5.70773459010977, 0.304545509615441]
    posterior += [1.10546070517544, 0.687072170181411]
    np.testing.assert_allclose(moderate(EQUAL_DF, np.full(10, 3.0), prior), posterior, rtol=1e-8)


def test_prior_of_groups_with_unequal_df_as_limma_finds_it():
    prior = fit_prior(UNEQUAL, UNEQUAL_DF)
    assert prior.variance == pytest.approx(0.527142788985985, rel=1e-8)
    assert prior.df == pytest.approx(6.04477063657787, rel=1e-8)
    posterior = [0.405811103837136, 0.82295164787476, 0.844184729380286, 0.585838987974771]
    posterior += [0.443574765938164, 0.480375055511486, 0.913824624427862, 0.583566327024991]
    posterior += [0.383532915485709, 0.341314697986999, 0.785908951014634, 0.455731731551991]
    np.testing.assert_allclose(moderate(UNEQUAL, UNEQUAL_DF, prior), posterior, rtol=1e-8)


def test_moderated_t_of_six_small_experiments_as_limma_finds_it():
    # lmFit and eBayes of 3 against 3 in six rows.
    variance = np.array(
        [0.04, 0.086666666666666, 0.025, 0.13, 1.37666666666667, 0.0266666666666666]
    )
    effect = np.array([1.1, 0.233333333333328, 0.0, 0.4, 1.16666666666667, 0.266666666666661])
    prior = fit_prior(variance, np.full(6, 4.0))
    assert prior.df == pytest.approx(2.01772811694731, rel=1e-7)
    assert prior.variance == pytest.approx(0.0638694765186741, rel=1e-7)
    t = effect / np.sqrt(moderate(variance, np.full(6, 4.0), prior) * (1 / 3 + 1 / 3))
    expected = [6.14897098917968, 1.01659068456403, 0.0, 1.49191005103966]
    np.testing.assert_allclose(t, [*expected, 1.47652570712643, 1.65082196504713], rtol=1e-7)
    p = 2.0 * student_t.sf(np.abs(t), 4.0 + prior.df)
    assert p[0] == pytest.approx(0.000838360110792453, rel=1e-6)


@pytest.mark.parametrize(
    ("variance", "df", "pulls", "posterior", "error"),
    [
        (1.7, 4.0, 3, 1.156, 0.877876225140348),
        (0.0, 0.0, 1, 0.9, 1.34164078649987),
        (0.25, 2.0, 2, 0.776190476190476, 0.881016728666645),
    ],
    ids=["3 v 3", "1 v 1", "2 v 2"],
)
def test_moderated_variance_of_one_study(variance, df, pulls, posterior, error):
    # Smyth (2004), the formulas for the moderated variance and t, by arithmetic.
    prior = PriorFit(variance=0.9, df=8.5)
    found = moderate(np.array([variance]), np.array([df]), prior)[0]
    assert found == pytest.approx(posterior, rel=1e-12)
    assert np.sqrt(found * 2.0 / pulls) == pytest.approx(error, rel=1e-12)


def test_groups_that_are_all_alike_give_a_prior_without_limit():
    # Variances closer together than chance: Smyth (2004), 6.2, sets d0 to infinity.
    prior = fit_prior(np.array([1.0, 1.1, 0.9, 1.0, 1.05]), np.full(5, 4.0))
    assert np.isinf(prior.df)
    found = moderate(np.array([0.1, 9.0]), np.full(2, 4.0), prior)
    assert found.tolist() == [prior.variance, prior.variance]


@pytest.mark.parametrize("prior_df", [3.0, 10.0, 60.0])
def test_the_prior_is_recovered_from_many_groups(prior_df):
    # s^2 = s0^2 d0 / chi2(d0) x chi2(d) / d. log s^2 has variance trigamma(d / 2) +
    # trigamma(d0 / 2); the sample variance of 20,000 of them has a relative standard error of
    # about sqrt(2 / groups) (1.5% with tails allowed for), which is carried through trigamma.
    rng = np.random.default_rng(int(prior_df))
    groups, df = 20_000, 6.0
    truth = 0.3 * prior_df / rng.chisquare(prior_df, groups)
    prior = fit_prior(truth * rng.chisquare(df, groups) / df, np.full(groups, df))
    spread = polygamma(1, prior_df / 2.0)
    found = polygamma(1, prior.df / 2.0)
    allowed = 4.0 * 0.015 * (spread + polygamma(1, df / 2.0))
    assert abs(found - spread) < allowed
    assert prior.variance == pytest.approx(0.3, rel=0.06)


def test_weights_of_the_prior_df_are_probabilities():
    for ratios, df in (([], []), ([1.0], [2.0]), ([0.01, 30.0, 1.0], [2.0, 8.0, 5.0])):
        weights = weigh_prior_df(np.array(ratios), np.array(df))
        assert weights.shape == PRIOR_DF_GRID.shape
        assert weights.sum() == pytest.approx(1.0)
        assert (weights >= 0.0).all()


def likely_df(ratios, df):
    return float(weigh_prior_df(np.array(ratios), np.full(len(ratios), df)) @ np.log(PRIOR_DF_GRID))


def test_sessions_that_differ_wildly_lower_the_prior_df_and_alike_ones_raise_it():
    nothing_known = likely_df([], 1.0)
    assert likely_df([0.05, 4.0, 0.1, 3.0, 0.2, 5.0], 10.0) < nothing_known
    assert likely_df([1.0] * 12, 10.0) > nothing_known


def test_the_weights_find_the_prior_df_that_made_the_sessions():
    # 200 sessions of 10 df: the likelihood is sharp; d0 = 20 must lie in the middle 99.8%.
    rng = np.random.default_rng(8)
    truth = 20.0 / rng.chisquare(20.0, 200)
    ratios = truth * rng.chisquare(10.0, 200) / 10.0
    below = np.cumsum(weigh_prior_df(ratios, np.full(200, 10.0)))
    assert 0.001 < np.interp(20.0, PRIOR_DF_GRID, below) < 0.999


def test_the_order_of_the_sessions_does_not_matter():
    ratios, df = np.array([0.5, 2.0, 1.3]), np.array([2.0, 9.0, 4.0])
    np.testing.assert_allclose(
        weigh_prior_df(ratios, df), weigh_prior_df(ratios[::-1], df[::-1]), rtol=1e-12
    )
