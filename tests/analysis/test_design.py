from __future__ import annotations

import numpy as np
import pytest
from studies import curves_of, laid_out

from dynostats.analysis.design import weigh_pulls

LAYOUTS = [("ABBA",), ("AABB",), ("AB", "BA"), ("AACB", "CB"), ("ACCA", "BCCB"), ("AAA", "BB")]


def weigh(curves, **options):
    settings = {"baseline": "A", "candidate": "B", "session_ratio": None, "drift_ratio": None}
    return weigh_pulls(curves, **(settings | options))


def test_abba_weighs_every_pull_alike_and_no_drift_gets_in():
    contrast = weigh(laid_out("ABBA"))
    np.testing.assert_allclose(contrast.weights, [-0.5, 0.5, 0.5, -0.5], atol=1e-12)
    assert contrast.kind == "same_session"
    assert not contrast.drift_fitted  # a drift cancels in it, so none is fitted
    assert contrast.factor("pull") == pytest.approx(1.0)
    assert contrast.factor("drift") == pytest.approx(0.0, abs=1e-20)
    assert contrast.factor("session") == pytest.approx(0.0, abs=1e-20)
    assert contrast.drift_confounded == pytest.approx(0.0, abs=1e-20)


def test_aabb_with_a_drift_fitted_pays_five_times_the_variance():
    # By hand: slope = sum(v y), v = order less its mean by setup = (-.5, .5, -.5, .5); the setups
    # are 2 places apart, so the effect is mean B - mean A - 2 slope.
    contrast = weigh(laid_out("AABB"))
    np.testing.assert_allclose(contrast.weights, [0.5, -1.5, 1.5, -0.5], atol=1e-12)
    assert contrast.drift_fitted
    assert contrast.factor("pull") == pytest.approx(5.0)
    assert contrast.factor("drift") == pytest.approx(0.0, abs=1e-20)
    # Correlation of (-1, -1, 1, 1) and (-1.5, -.5, .5, 1.5), squared: 4^2 / (4 x 5).
    assert contrast.drift_confounded == pytest.approx(0.8)


def test_aabb_without_drift_is_the_difference_of_means():
    contrast = weigh(laid_out("AABB"), drift_ratio=0.0)
    np.testing.assert_allclose(contrast.weights, [-0.5, -0.5, 0.5, 0.5], atol=1e-12)
    assert not contrast.drift_fitted
    assert contrast.factor("drift") == pytest.approx(4.0)  # means 2 places apart


def test_aabb_with_drift_known_to_be_large_tends_to_the_fitted_weights():
    contrast = weigh(laid_out("AABB"), drift_ratio=1e7)
    np.testing.assert_allclose(contrast.weights, [0.5, -1.5, 1.5, -0.5], atol=1e-5)


@pytest.mark.parametrize("ratio", [0.1, 1.0, 10.0])
def test_weights_with_a_known_drift_have_the_least_variance(ratio):
    # No other weights with sum -1 on A and 1 on B collect less of pull + ratio x drift.
    contrast = weigh(laid_out("AABB"), drift_ratio=ratio)
    place = np.array([-1.5, -0.5, 0.5, 1.5])

    def collected(weights):
        return weights @ weights + ratio * (weights @ place) ** 2

    rng = np.random.default_rng(5)
    least = collected(contrast.weights)
    assert least == pytest.approx(contrast.factor("pull") + ratio * contrast.factor("drift"))
    for move in rng.normal(size=(200, 2)):
        other = contrast.weights + np.array([move[0], -move[0], move[1], -move[1]])
        assert collected(other) > least


def test_one_pull_a_side_cannot_be_told_from_drift():
    contrast = weigh(laid_out("AB"))
    np.testing.assert_allclose(contrast.weights, [-1.0, 1.0], atol=1e-12)
    assert not contrast.drift_fitted
    assert contrast.drift_confounded == pytest.approx(1.0)
    assert contrast.factor("drift") == pytest.approx(1.0)


def test_pairs_on_two_days_in_both_orders_are_weighed_alike():
    contrast = weigh(laid_out("AB", "BA"))
    np.testing.assert_allclose(contrast.weights, [-0.5, 0.5, 0.5, -0.5], atol=1e-12)
    assert contrast.factor("session") == pytest.approx(0.0, abs=1e-20)
    assert contrast.factor("refit") == pytest.approx(1.0)
    assert contrast.drift_confounded == pytest.approx(0.0, abs=1e-20)


def test_setups_linked_through_a_third_one():
    contrast = weigh(laid_out("AC", "CB"))
    assert contrast.kind == "linked_sessions"
    np.testing.assert_allclose(contrast.weights, [-1.0, 1.0, -1.0, 1.0], atol=1e-12)
    assert contrast.factor("pull") == pytest.approx(4.0)
    assert contrast.factor("session") == pytest.approx(0.0, abs=1e-20)


def test_setups_that_never_met_collect_both_days():
    contrast = weigh(laid_out("AA", "BB"), session_ratio=2.0)
    assert contrast.kind == "different_sessions"
    np.testing.assert_allclose(contrast.weights, [-0.5, -0.5, 0.5, 0.5], atol=1e-12)
    assert contrast.factor("session") == pytest.approx(2.0)
    assert contrast.factor("pull") == pytest.approx(1.0)


def test_a_long_day_does_not_outvote_a_short_one_when_days_differ():
    # Baseline on a day of 3 pulls and a day of 1, session variance = pull variance: the day means
    # have variances 1 + 1/3 and 1 + 1, so they weigh 0.6 and 0.4.
    contrast = weigh(laid_out("AAA", "A", "B"), session_ratio=1.0)
    np.testing.assert_allclose(contrast.weights, [-0.2, -0.2, -0.2, -0.4, 1.0], atol=1e-12)


def test_an_unknown_run_order_fits_no_drift():
    curves = curves_of(np.zeros((4, 1)), session=["s"] * 4, setup=list("AABB"))
    contrast = weigh(curves)
    assert not contrast.drift_fitted
    assert contrast.factor("drift") == 0.0
    assert contrast.drift_confounded == 0.0
    np.testing.assert_allclose(contrast.weights, [-0.5, -0.5, 0.5, 0.5], atol=1e-12)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("ratios", [(None, None), (0.7, 0.3)])
def test_weights_compare_like_with_like(layout, ratios):
    curves = laid_out(*layout)
    contrast = weigh(curves, session_ratio=ratios[0], drift_ratio=ratios[1])
    setup, session = np.array(curves.setup), np.array(curves.session)
    total = {name: contrast.weights[setup == name].sum() for name in set(curves.setup)}
    assert total["A"] == pytest.approx(-1.0)
    assert total["B"] == pytest.approx(1.0)
    assert total.get("C", 0.0) == pytest.approx(0.0, abs=1e-9)
    if contrast.kind != "different_sessions":
        for name in set(curves.session):
            assert contrast.weights[session == name].sum() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_swapping_the_setups_flips_the_weights_and_nothing_else(layout):
    curves = laid_out(*layout)
    one = weigh(curves, session_ratio=0.5)
    other = weigh(curves, session_ratio=0.5, baseline="B", candidate="A")
    np.testing.assert_allclose(other.weights, -one.weights, atol=1e-12)
    for layer in ("pull", "session", "drift", "refit"):
        assert one.factor(layer) == pytest.approx(other.factor(layer))
    assert (one.kind, one.drift_fitted) == (other.kind, other.drift_fitted)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_order_in_which_pulls_are_listed_does_not_matter(layout):
    curves = laid_out(*layout)
    turned = np.random.default_rng(6).permutation(len(curves))
    one, other = weigh(curves), weigh(curves.take(turned))
    np.testing.assert_allclose(other.weights, one.weights[turned], atol=1e-10)


def test_fitted_weights_are_those_of_least_squares():
    curves = laid_out("ABAABB", "BAC")
    contrast = weigh(curves)
    # Setups, sessions and a slope of each session, by numpy's least squares.
    setup, session = np.array(curves.setup), np.array(curves.session)
    columns = [(setup == name) * 1.0 for name in "ABC"]
    columns += [(session == name) * 1.0 for name in ("s0", "s1")]
    columns += [np.where(session == name, curves.order, 0.0) for name in ("s0", "s1")]
    fit = np.linalg.pinv(np.column_stack(columns))
    np.testing.assert_allclose(contrast.weights, fit[1] - fit[0], atol=1e-10)


def test_setups_that_never_met_collect_the_drift_that_long_sessions_hold_beyond_past_ones():
    # By hand: means of five lie two places behind the first: 2^2 + 2^2 units of drift variance;
    # past sessions' means of three hold one unit a unit of session variance, and two are charged.
    options = {"session_ratio": 1.0, "drift_ratio": 0.0}
    long = laid_out("AAAAA", "BBBBB")
    assert weigh(long, **options).factor("drift") == pytest.approx(8.0)
    contrast = weigh(long, **options, drift_in_sessions=1.0)
    assert contrast.factor("drift") == pytest.approx(6.0)
    assert contrast.factor("session") == pytest.approx(2.0)
    short = weigh(laid_out("AA", "BB"), **options, drift_in_sessions=1.0)
    assert short.factor("drift") == pytest.approx(0.0)


@pytest.mark.parametrize("days", [1, 5])
@pytest.mark.parametrize("ratio", [None, 0.0, 0.3])
def test_weights_ask_the_question_whatever_the_size_of_the_study(days, ratio):
    # Unbiased: the weights of the candidate sum to 1, of the baseline to -1, of each third setup
    # and within each session to 0. One pull is missing, so that no sum cancels by symmetry.
    study = laid_out(*["AABBC", "BBAAC"] * days)
    study = study.take(np.arange(len(study)) != 3)
    contrast = weigh(study, drift_ratio=ratio)
    sums = {
        name: sum(w for w, own in zip(contrast.weights, study.setup, strict=True) if own == name)
        for name in "ABC"
    }
    assert sums == pytest.approx({"A": -1.0, "B": 1.0, "C": 0.0}, abs=1e-8)
    for session in set(study.session):
        own = [name == session for name in study.session]
        assert contrast.weights[own].sum() == pytest.approx(0.0, abs=1e-8)
    assert np.abs(contrast.weights).max() < 2.0 / days


def test_rounding_in_the_overlap_of_setups_and_sessions_is_no_information():
    # Setups and sessions overlap by one column. Taken for independent at the level of rounding,
    # it gave weights of another question in a third of these.
    whole = laid_out(*["AABB"] * 60)
    for missing in range(12):
        study = whole.take(np.arange(len(whole)) != missing)
        weights = weigh(study, drift_ratio=0.0).weights
        candidate = [name == "B" for name in study.setup]
        assert weights[candidate].sum() == pytest.approx(1.0, abs=1e-8)
        assert weights.sum() == pytest.approx(0.0, abs=1e-8)
