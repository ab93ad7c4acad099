from __future__ import annotations

import numpy as np
import published
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import chi2, norm
from scipy.stats import t as student_t
from studies import curves_of

from dynostats.analysis.effect import critical_values
from dynostats.analysis.field import CONTRASTS_DRAWN, Draws, Target, draw_errors, standard_errors
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import LayerNoise, learn_noise

DRAWS = 20_000


def whole_study(curves):
    """Return the noise of pulls that are all of the study: no history."""
    return learn_noise(split_layers(curves), curves.rpm, own=np.ones(len(curves), dtype=bool))


def target_of(speeds, *, pull_factor=1.0):
    """Return an effect that collects pull noise alone, and its plain band mean."""
    none = np.zeros(1)
    return Target(
        functionals=np.full((1, speeds), 1.0 / speeds),
        loadings={
            "pull": np.array([np.sqrt(pull_factor)]),
            "session": none,
            "drift": none,
            "refit": none,
        },
    )


def draw(noise, *, seed, draws=DRAWS):
    """Return simulated errors of one effect: curve (draws, speeds) and band mean (draws,)."""
    drawn = draw_errors(
        noise, (target_of(len(noise.rpm)),), draws=draws, rng=np.random.default_rng(seed)
    )
    return drawn.curve[:, 0], drawn.means[:, 0, 0]


def one_session(pulls, *, sd=1.0, rpm=None, seed=0):
    rng = np.random.default_rng(seed)
    rpm = np.array([3000.0]) if rpm is None else rpm
    return curves_of(
        rng.normal(0.0, sd, (pulls, len(rpm))), session=["s"] * pulls, setup=["A"] * pulls, rpm=rpm
    )


def noise_like(rpm, correlation, df):
    """Return noise of unit variance and a given correlation, learned from df contrasts."""
    noise = whole_study(one_session(4, rpm=rpm))
    layer = LayerNoise(
        variance=np.ones(len(rpm)),
        correlation=correlation,
        curves=np.zeros((df, len(rpm))),
        coefficient=0.0,
    )
    return type(noise)(
        **{name: getattr(noise, name) for name in noise.__slots__} | {"own": layer, "pull": None}
    )


def exceeded(noise, critical, *, seed, draws=DRAWS):
    """Return the share of simulated studies beyond a critical value, and 4 standard errors of it.

    Several effect curves share one simulated world of variances, so the standard error is that of
    the mean over worlds.
    """
    curve, _ = draw(noise, seed=seed, draws=draws)
    worlds = min(CONTRASTS_DRAWN // min(noise.own.df, 48), draws)
    beyond = np.abs(curve).max(axis=1) > critical
    by_world = beyond[: draws // worlds * worlds].reshape(-1, worlds).mean(axis=0)
    return float(by_world.mean()), 4.0 * float(by_world.std(ddof=1)) / np.sqrt(worlds)


def largest_t(k, df):
    """Return the 95% critical value of the largest of k |t| with one common variance.

    By quadrature over the variance: P(all |z| <= q s) = E[(2 Phi(q s) - 1)^k].
    """

    def covered(q):
        return quad(
            lambda x: chi2.pdf(x, df) * (2.0 * norm.cdf(q * np.sqrt(x / df)) - 1.0) ** k,
            0.0,
            chi2.ppf(1.0 - 1e-12, df),
            limit=200,
        )[0]

    return brentq(lambda q: covered(q) - 0.95, 1.5, 60.0, xtol=1e-6)


@pytest.mark.parametrize("df", [1, 2, 3, 4, 6, 10, 20, 40])
def test_at_one_speed_the_error_is_students_t(df):
    noise = whole_study(one_session(df + 1, seed=df))
    share, allowed = exceeded(noise, student_t.ppf(0.975, df), seed=df)
    assert abs(share - 0.05) < allowed


def test_more_contrasts_than_are_simulated_are_narrowed_to_their_number():
    # 200 df are simulated by 48 contrasts with the spread narrowed: between t(100) and the normal.
    noise = whole_study(one_session(201, seed=3))
    share, allowed = exceeded(noise, student_t.ppf(0.975, 200), seed=3, draws=60_000)
    assert abs(share - 0.05) < allowed


def test_the_standard_error_at_one_speed_is_that_of_the_difference_of_two_means():
    curves = one_session(6, sd=0.3, seed=4)
    noise = whole_study(curves)
    spread = standard_errors(noise, target_of(1, pull_factor=2.0 / 3.0))
    sd = curves.log_torque[:, 0].std(ddof=1)
    assert spread.curve[0] == pytest.approx(sd * np.sqrt(2.0 / 3.0), rel=1e-12)
    assert spread.means[0] == pytest.approx(sd * np.sqrt(2.0 / 3.0), rel=1e-12)
    assert spread.history_weight == 0.0


@pytest.mark.parametrize(("k", "critical"), published.MAX_NORMAL_INDEPENDENT.items())
def test_with_a_known_variance_independent_speeds_give_the_largest_of_k_normals(k, critical):
    rpm = 2000.0 + 50.0 * np.arange(k)
    share, allowed = exceeded(noise_like(rpm, np.eye(k), 20_000), critical, seed=k)
    assert abs(share - 0.05) < allowed


@pytest.mark.parametrize(("k", "critical"), published.MAX_NORMAL_AR1.items())
def test_with_a_known_variance_neighbouring_speeds_give_the_largest_of_an_ar1(k, critical):
    rpm = 2000.0 + 50.0 * np.arange(k)
    lag = np.abs(np.subtract.outer(np.arange(k), np.arange(k)))
    share, allowed = exceeded(noise_like(rpm, 0.9**lag, 20_000), critical, seed=k)
    assert abs(share - 0.05) < allowed


def test_the_quadrature_gives_the_published_table():
    for (k, df), critical in published.MAX_T_INDEPENDENT.items():
        assert largest_t(k, df) == pytest.approx(critical, rel=1e-5)


@pytest.mark.parametrize(("k", "contrasts"), [(2, 2), (2, 5), (2, 15), (5, 6)])
def test_speeds_pooled_into_one_variance_give_the_studentised_maximum(k, contrasts):
    # Speeds 0.01 rpm apart are pooled with equal weights: one variance of k x contrasts df.
    rpm = 3000.0 + 0.01 * np.arange(k)
    critical = published.MAX_T_INDEPENDENT[k, k * contrasts]
    share, allowed = exceeded(noise_like(rpm, np.eye(k), contrasts), critical, seed=k + contrasts)
    assert abs(share - 0.05) < allowed


@pytest.mark.parametrize(("k", "contrasts"), [(5, 2), (10, 1), (10, 3)])
def test_from_few_contrasts_pooling_over_speed_is_not_trusted_in_full(k, contrasts):
    # From few contrasts it is not known that speeds are independent: the critical value lies above
    # the studentised maximum with k x contrasts df, and below that of the contrasts alone.
    rpm = 3000.0 + 0.01 * np.arange(k)
    noise = noise_like(rpm, np.eye(k), contrasts)
    share, allowed = exceeded(noise, published.MAX_T_INDEPENDENT[k, k * contrasts], seed=k)
    assert share > 0.05 - allowed
    share, allowed = exceeded(noise, largest_t(k, contrasts), seed=k)
    assert share < 0.05 + allowed


@pytest.mark.parametrize(("k", "contrasts"), [(4, 12), (10, 30)])
def test_speeds_far_apart_have_each_their_own_variance(k, contrasts):
    # 5000 rpm apart nothing is pooled: k independent t, so the largest is below q with
    # probability (1 - 2 sf(q))^k.
    rpm = 5000.0 * np.arange(1.0, k + 1)
    critical = student_t.ppf((1.0 + 0.95 ** (1.0 / k)) / 2.0, contrasts)
    share, allowed = exceeded(noise_like(rpm, np.eye(k), contrasts), critical, seed=k)
    assert abs(share - 0.05) < allowed


def test_the_band_mean_of_one_study_is_students_t_too():
    # All speeds move together: the band mean is one number with 5 df.
    rpm = 2000.0 + 50.0 * np.arange(9)
    level = np.random.default_rng(9).normal(size=(6, 1))
    noise = whole_study(curves_of(level + np.zeros(9), session=["s"] * 6, setup=["A"] * 6, rpm=rpm))
    _, means = draw(noise, seed=1)
    share = float(np.mean(np.abs(means) > student_t.ppf(0.975, 5)))
    assert abs(share - 0.05) < 4.0 * np.sqrt(0.05 * 0.95 / (CONTRASTS_DRAWN // 5))


def test_the_same_seed_gives_the_same_draws():
    noise = whole_study(one_session(5, rpm=2000.0 + 50.0 * np.arange(7)))
    one, other = (draw(noise, seed=3, draws=200) for _ in range(2))
    np.testing.assert_array_equal(one[0], other[0])
    np.testing.assert_array_equal(one[1], other[1])


def test_the_scale_of_the_noise_cancels():
    rpm = 2000.0 + 50.0 * np.arange(7)
    curves = one_session(5, rpm=rpm)
    quiet = curves_of(curves.log_torque / 100.0, session=["s"] * 5, setup=["A"] * 5, rpm=rpm)
    one, other = (draw(whole_study(c), seed=3, draws=200)[0] for c in (curves, quiet))
    np.testing.assert_allclose(one, other, rtol=1e-6)


@settings(deadline=None, max_examples=50)
@given(
    alpha=st.sampled_from([0.01, 0.05, 0.1, 0.2]),
    effects=st.integers(1, 3),
    seed=st.integers(0, 10_000),
)
def test_any_claim_of_the_family_is_wrong_at_most_alpha_of_the_time(alpha, effects, seed):
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(1000, 1, 1))
    drawn = Draws(
        curve=rng.normal(size=(1000, effects, 6)) + rng.uniform(0.0, 2.0) * common,
        means=rng.normal(size=(1000, effects, 2)) + common,
    )
    curve, means = critical_values(drawn, alpha)
    beyond_means = np.abs(drawn.means).max(axis=(1, 2)) > means
    beyond = beyond_means | (np.abs(drawn.curve).max(axis=(1, 2)) > curve)
    assert beyond.mean() <= alpha
    assert beyond.mean() == pytest.approx(alpha)
    assert beyond_means.mean() <= alpha / 2.0
