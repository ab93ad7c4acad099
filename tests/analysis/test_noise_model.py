from __future__ import annotations

import numpy as np
import pytest
from studies import curves_of, laid_out, wiggle

from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import component, correlation_length, learn_noise, pooled_variance
from dynostats.analysis.over_speed import (
    POOLING_RPM,
    effective_speeds,
    pool_over_speed,
    pooling_weights,
    wavier,
)

RPM = np.arange(2000.0, 6001.0, 200.0)


def learned(curves, own=None, **options):
    flags = np.zeros(len(curves), dtype=bool)
    if own is not None:
        flags[own] = True
    return learn_noise(split_layers(curves), curves.rpm, own=flags, **options)


def pulls_of(*layout, sd=0.004, seed=0, engine=None, rpm=RPM, order=True):
    count = sum(len(run) for run in layout)
    sds = [sd] * count if np.isscalar(sd) else sd
    rng = np.random.default_rng(seed)
    curves = laid_out(
        *layout, curves=np.array([wiggle(rng, rpm, one) for one in sds]), rpm=rpm, engine=engine
    )
    if order:
        return curves
    return curves_of(
        curves.log_torque,
        session=curves.session,
        setup=curves.setup,
        engine=curves.engine,
        rpm=rpm,
    )


def test_pooling_weights_are_gaussian_and_sum_to_one():
    weights = pooling_weights(RPM)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)
    ratio = weights[5, 7] / weights[5, 5]
    assert ratio == pytest.approx(np.exp(-0.5 * (400.0 / POOLING_RPM) ** 2))


def test_a_mean_square_that_is_alike_everywhere_stays_what_it_is():
    np.testing.assert_allclose(pool_over_speed(np.full((3, len(RPM)), 2.0), RPM), 4.0)


def test_pooling_counts_only_what_was_covered():
    curves = np.full((4, len(RPM)), 2.0)
    curves[:2, RPM > 3000.0] = np.nan
    np.testing.assert_allclose(pool_over_speed(curves, RPM), 4.0)


def test_far_from_all_that_was_covered_the_mean_square_is_not_zero():
    # 400 rpm of pooling against 6000 rpm of nothing: unknown or extrapolated, never certain.
    rpm = np.arange(2000.0, 10_001.0, 200.0)
    curves = np.full((4, len(rpm)), 2.0)
    curves[:, rpm > 4000.0] = np.nan
    pooled = pool_over_speed(curves, rpm)
    assert (np.isnan(pooled) | (pooled > 1.0)).all()


def test_effective_speeds_of_the_two_extremes():
    assert effective_speeds(np.eye(9)) == pytest.approx(9.0)
    assert effective_speeds(np.ones((9, 9))) == pytest.approx(1.0)


def test_a_correlation_from_few_contrasts_is_taken_for_wavier():
    assert effective_speeds(wavier(np.eye(9), 1)) < effective_speeds(wavier(np.eye(9), 50)) < 9.0
    np.testing.assert_allclose(np.diag(wavier(np.eye(9), 3)), 1.0)


def test_the_study_is_left_out_of_its_own_prior():
    curves = pulls_of("ABBA", *["CCC"] * 6)
    noise = learned(curves, own=np.arange(4))
    alone = learned(curves.take(np.arange(4, len(curves))))
    np.testing.assert_allclose(noise.pull.variance, alone.pull.variance, rtol=1e-12)
    np.testing.assert_allclose(noise.prior_df_weights, alone.prior_df_weights, rtol=1e-9)
    assert noise.own is not None


def test_a_noisier_engine_learns_from_itself_alone():
    engine = ["rough"] * 12 + ["quiet"] * 18
    curves = pulls_of(
        *["AAA"] * 4, *["CCC"] * 6, sd=[0.012] * 12 + [0.003] * 18, engine=engine, order=False
    )
    noise = learned(curves, own=np.arange(3))
    assert noise.narrowed
    assert noise.pull.df == 6  # the other three days of the rough engine, 2 df each


def test_an_engine_that_looks_quieter_is_not_believed_to_be():
    engine = ["quiet"] * 12 + ["rough"] * 18
    curves = pulls_of(
        *["AAA"] * 4, *["CCC"] * 6, sd=[0.003] * 12 + [0.012] * 18, engine=engine, order=False
    )
    noise = learned(curves, own=np.arange(3))
    assert not noise.narrowed
    assert noise.pull.df == 18


def test_engines_alike_are_pooled():
    engine = ["one"] * 12 + ["other"] * 18
    curves = pulls_of(*["AAA"] * 4, *["CCC"] * 6, engine=engine, order=False)
    assert learned(curves, own=np.arange(3)).pull.df == 18


def test_a_component_below_zero_is_set_to_zero():
    curves = pulls_of("AAA", "AAA", "AAA", order=False)
    noise = learned(curves)
    assert (component(noise.session, 10.0 * noise.session.variance) == 0.0).all()


def test_a_refit_that_stands_out_is_a_layer_of_its_own():
    # Every fitting of a setup moves the curve by 1%, pulls repeat within 0.1%.
    rng = np.random.default_rng(3)
    layout = ["AABB", "BBAA", "AABB", "BBAA", "AABB"]
    curves = pulls_of(*layout, sd=0.001, order=False)
    fitted = np.repeat(rng.normal(0.0, 0.01, 10), 2)
    moved = curves_of(
        curves.log_torque + fitted[:, None],
        session=curves.session,
        setup=curves.setup,
        rpm=RPM,
    )
    noise = learned(moved)
    assert learned(curves).refit is None
    assert noise.refit is not None
    # The moment estimate in the two-way layout: half the variance of the setups' differences.
    by_cell = dict(
        zip([*zip(moved.session, moved.setup, strict=True)][::2], fitted[::2], strict=True)
    )
    difference = [by_cell[f"s{day}", "A"] - by_cell[f"s{day}", "B"] for day in range(5)]
    expected = np.var(difference, ddof=1) / 2.0
    found = component(noise.refit, pooled_variance(noise)).mean()
    assert found == pytest.approx(expected, rel=0.25)


def test_a_study_of_one_day_is_charged_with_refitting_only_on_strong_evidence():
    # Two days of two setups give one refit contrast; one fitting is moved further and further.
    curves = pulls_of("AABB", "BBAA", *["CCC"] * 6, seed=8, order=False)

    def kept(shift, **options):
        moved = curves.log_torque.copy()
        moved[2:4] += shift
        told = curves_of(moved, session=curves.session, setup=curves.setup, rpm=RPM)
        return learned(told, **options).refit is not None

    shifts = np.linspace(0.0, 0.04, 41)
    several = [kept(shift) for shift in shifts]
    once = [kept(shift, fitted_once=True) for shift in shifts]
    assert sum(once) < sum(several)
    assert several[-1]
    assert once[-1]
    assert all(loose for loose, strict in zip(several, once, strict=True) if strict)


def test_few_repeats_that_look_noisier_are_left_alone_only_on_strong_evidence():
    # Two days of the study's engine, 2 df each: too few to answer from alone.
    engine = ["mine"] * 8 + ["other"] * 18

    def narrowed(sd):
        curves = pulls_of(
            "AB", *["CCC"] * 2, *["DDD"] * 6, sd=[sd] * 8 + [0.003] * 18, engine=engine, order=False
        )
        return learned(curves, own=np.arange(2)).narrowed

    assert not narrowed(0.004)
    assert narrowed(0.012)


def test_sessions_means_hold_drift_as_far_as_their_pulls_lie_behind_the_first():
    # Means of three pulls lie one place behind the first, of five two places: drift enters a
    # session's mean with that factor, squared in the variance.
    assert learned(pulls_of("CCC", "CCC")).drift_in_sessions == pytest.approx(1.0)
    assert learned(pulls_of("CCCCC", "CCCCC")).drift_in_sessions == pytest.approx(4.0)
    assert learned(pulls_of("CCC", "CCC", order=False)).drift_in_sessions == 0.0


def test_the_drift_allowed_for_is_raised_and_says_by_how_much():
    curves = pulls_of(*["CCCC"] * 8)
    layers = split_layers(curves)
    noise = learned(curves)
    plain = pool_over_speed(layers.slope.curves, RPM)
    assert noise.drift_raised > 1.0
    np.testing.assert_allclose(noise.drift.variance, plain * noise.drift_raised, rtol=1e-9)
    more = learned(pulls_of(*["CCCC"] * 80))
    assert 1.0 < more.drift_raised < noise.drift_raised  # more sessions exclude more


def test_constant_curves_give_a_small_variance_and_no_nan():
    curves = laid_out("AAA", "AAA", curves=np.zeros((6, len(RPM))), rpm=RPM)
    noise = learned(curves)
    assert np.isfinite(noise.pull.variance).all()
    assert (noise.pull.variance > 0.0).all()
    assert np.isfinite(noise.pull.correlation).all()


def test_correlations_are_correlations():
    noise = learned(pulls_of(*["AAA"] * 5))
    matrix = noise.pull.correlation
    np.testing.assert_allclose(np.diag(matrix), 1.0)
    np.testing.assert_allclose(matrix, matrix.T, atol=1e-12)
    assert np.linalg.eigvalsh(matrix).min() > 0.0


def test_the_correlation_length_is_where_the_correlation_falls_to_a_third():
    # Rough noise exp(-d / 600 rpm), 200 days of three pulls: found within one or two grid steps.
    rng = np.random.default_rng(4)
    lag = np.abs(np.subtract.outer(RPM, RPM))
    root = np.linalg.cholesky(np.exp(-lag / 600.0))
    curves = laid_out(*["AAA"] * 200, curves=rng.normal(size=(600, len(RPM))) @ root.T, rpm=RPM)
    assert correlation_length(learned(curves)) == pytest.approx(700.0, abs=200.0)
