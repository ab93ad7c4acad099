from __future__ import annotations

import numpy as np
import pytest

from dynostats.simulate.noise import (
    CurveNoise,
    draw_drifts,
    draw_pull_curves,
    draw_session_curves,
    mixing_matrix,
    shape_noise,
    speed_profile,
)

RPM = np.arange(2200.0, 6801.0, 50.0)
SHAPES = ("smooth", "rough", "rpm_dependent", "heavy_tailed", "drifting")


def correlation(noise):
    mixing = mixing_matrix(noise, RPM)
    return mixing.T @ mixing


@pytest.mark.parametrize("shape", SHAPES)
def test_every_curve_has_unit_variance_before_scaling(shape):
    np.testing.assert_allclose(np.diag(correlation(shape_noise(shape))), 1.0, rtol=1e-12)


def test_smooth_correlation_is_the_gaussian_one():
    noise = CurveNoise(common_share=0.0, correlation_rpm=500.0)
    expected = np.exp(-(((RPM[:, None] - RPM[None, :]) / 500.0) ** 2) / 2.0)
    np.testing.assert_allclose(correlation(noise), expected, atol=1e-3)


def test_rough_correlation_is_the_exponential_one():
    noise = CurveNoise(common_share=0.0, correlation="rough", correlation_rpm=150.0)
    expected = np.exp(-np.abs(RPM[:, None] - RPM[None, :]) / 150.0)
    np.testing.assert_allclose(correlation(noise), expected, atol=1e-12)


def test_common_share_is_what_far_speeds_have_in_common():
    far = correlation(CurveNoise(common_share=0.4, correlation_rpm=300.0))[0, -1]
    assert far == pytest.approx(0.4, abs=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
def test_pull_sd_is_as_stated(shape):
    curves = draw_pull_curves(shape_noise(shape), RPM, (4000,), np.random.default_rng(5))
    rms = 100.0 * np.sqrt(np.mean(curves**2))
    # 4,000 curves of at least 2.5 independent pieces each: SE of an SD under 1%; 5 df tails 2.5%.
    assert rms == pytest.approx(0.4, rel=0.06 if shape == "heavy_tailed" else 0.03)


def test_noise_that_depends_on_speed_is_four_times_as_large_at_the_top():
    profile = speed_profile(shape_noise("rpm_dependent"), RPM)
    assert profile[-1] / profile[0] == pytest.approx(4.0)
    assert np.mean(profile**2) == pytest.approx(1.0)


def test_heavy_tails_are_student_t():
    noise = shape_noise("heavy_tailed")
    values = draw_pull_curves(noise, RPM[:1], (40_000,), np.random.default_rng(6))[:, 0]
    beyond = np.mean(np.abs(values) > 4.0 * values.std())
    # P(|z| > 4) is 6e-5 for a normal; for t with 5 df scaled to unit SD, P(|t| > 5.164) = 0.0036.
    assert beyond == pytest.approx(0.0036, abs=5.0 * np.sqrt(0.0036 / 40_000) + 2e-4)


def test_session_curves_have_their_own_sd():
    noise = CurveNoise(pull_sd_pct=0.1, session_sd_pct=0.8)
    curves = draw_session_curves(noise, RPM, (4000,), np.random.default_rng(7))
    assert 100.0 * curves.std() == pytest.approx(0.8, rel=0.03)


def test_drifting_sessions_differ_in_their_drift():
    noise = shape_noise("drifting", drift_pct_per_pull=-0.1)
    drifts = 100.0 * draw_drifts(noise, (20_000,), np.random.default_rng(8))
    assert drifts.mean() == pytest.approx(-0.1, abs=5.0 * 0.15 / np.sqrt(20_000))
    assert drifts.std() == pytest.approx(0.15, rel=0.03)


def test_one_speed_is_enough():
    assert draw_pull_curves(CurveNoise(), RPM[:1], (3,), np.random.default_rng(9)).shape == (3, 1)
