from __future__ import annotations

import numpy as np
import published
import pytest
from studies import curves_of, groups_of, laid_out

from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import component, learn_noise


def mean_square(layer):
    return float(np.mean(layer.curves**2))


def sum_of_squares(layer):
    return float(np.sum(layer.curves**2))


def noise_of(curves):
    return learn_noise(split_layers(curves), curves.rpm, own=np.zeros(len(curves), dtype=bool))


@pytest.mark.parametrize(
    ("groups", "certified", "digits"),
    [
        (published.SILVER, published.SILVER_CERTIFIED, 1e-7),
        (published.SILICON, published.SILICON_CERTIFIED, 1e-10),
        (published.SIMON_LESAGE, published.SIMON_LESAGE_CERTIFIED, 1e-12),
    ],
    ids=["AtmWtAg", "SiRstv", "SmLs01"],
)
def test_certified_mean_squares(groups, certified, digits):
    # Silver: values of 108 that differ in the seventh digit leave nine digits of a square.
    df_between, ms_between, df_within, ms_within, f_ratio = certified
    layers = split_layers(groups_of(groups))
    assert (len(layers.session), len(layers.pull)) == (df_between, df_within)
    assert (len(layers.slope), len(layers.refit)) == (0, 0)
    assert mean_square(layers.session) == pytest.approx(ms_between, rel=digits)
    assert mean_square(layers.pull) == pytest.approx(ms_within, rel=digits)
    ratio = mean_square(layers.session) / mean_square(layers.pull)
    assert ratio == pytest.approx(f_ratio, rel=digits)


def test_sulfur_of_iso_5725_with_unequal_groups():
    noise = noise_of(groups_of(published.SULFUR))
    s_r2 = noise.pull.variance[0]
    s_l2 = component(noise.session, noise.pull.variance)[0]
    assert (noise.pull.df, noise.session.df) == (19, 7)
    assert np.sqrt(s_r2) == pytest.approx(published.SULFUR_S_R, rel=1e-10)
    assert s_l2 == pytest.approx(published.SULFUR_S_L2, rel=1e-10)
    assert np.sqrt(s_r2 + s_l2) == pytest.approx(published.SULFUR_S_REPRODUCIBILITY, rel=1e-10)


def test_glucose_of_astm_e691_has_no_variance_between_laboratories():
    noise = noise_of(groups_of(published.GLUCOSE_A))
    assert np.sqrt(noise.pull.variance[0]) == pytest.approx(published.GLUCOSE_S_R, rel=1e-10)
    assert component(noise.session, noise.pull.variance)[0] == 0.0
    untruncated = (noise.session.variance - noise.pull.variance) / noise.session.coefficient
    assert untruncated[0] == pytest.approx(published.GLUCOSE_S_L2_UNTRUNCATED, rel=1e-8)


def test_dyestuff_moments_equal_reml():
    noise = noise_of(groups_of(published.DYESTUFF))
    assert noise.session.variance[0] == pytest.approx(published.DYESTUFF_MS_BETWEEN, rel=1e-10)
    assert noise.pull.variance[0] == pytest.approx(published.DYESTUFF_MS_WITHIN, rel=1e-10)
    batch = component(noise.session, noise.pull.variance)[0]
    assert batch == pytest.approx(published.DYESTUFF_BATCH_VARIANCE, rel=1e-10)


def machines():
    values = [value for cell in published.MACHINES.values() for value in cell]
    labels = [label for label, cell in published.MACHINES.items() for _ in cell]
    return curves_of(
        np.array(values)[:, None],
        session=[worker for _, worker in labels],
        setup=[machine for machine, _ in labels],
    )


def test_machines_split_into_error_interaction_and_workers():
    # The published model has no interaction of machine and worker: its residual holds our refit
    # and pull layers together. Balanced, so its REML estimates are moments of these.
    layers = split_layers(machines())
    assert (len(layers.pull), len(layers.refit), len(layers.session)) == (36, 10, 5)
    residual = (sum_of_squares(layers.pull) + sum_of_squares(layers.refit)) / (36 + 10)
    assert residual == pytest.approx(published.MACHINES_RESIDUAL, rel=1e-7)
    worker = (mean_square(layers.session) - residual) / 9  # three machines, three times each
    assert worker == pytest.approx(published.MACHINES_WORKER, rel=1e-7)


def test_machines_coefficients_say_how_many_scores_stand_behind_a_contrast():
    layers = split_layers(machines())
    np.testing.assert_allclose(layers.refit.coefficient, 3.0, rtol=1e-12)
    np.testing.assert_allclose(layers.session.coefficient, 9.0, rtol=1e-12)


def random_curves(layout, *, speeds=3, seed=0, **options):
    pulls = sum(len(run) for run in layout)
    rng = np.random.default_rng(seed)
    rpm = 2000.0 + 50.0 * np.arange(speeds)
    return laid_out(*layout, curves=rng.normal(size=(pulls, speeds)), rpm=rpm, **options)


LAYOUTS = [("ABBA",), ("AAB", "BCC", "CA"), ("AB", "BA", "AB"), ("A", "B"), ("ABCABC", "AAA", "C")]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_degree_of_freedom_is_used_once(layout):
    curves = random_curves(layout)
    layers = split_layers(curves)
    setups, sessions = len(set(curves.setup)), len(set(curves.session))
    columns = np.array(
        [[float(k == name) for name in sorted(set(curves.setup))] for k in curves.setup]
    )
    # What is left after the setups alone: all contrasts of the noise.
    explained = columns @ np.linalg.lstsq(columns, curves.log_torque, rcond=None)[0]
    left = float(((curves.log_torque - explained) ** 2).sum())
    parts = (layers.pull, layers.slope, layers.session, layers.refit)
    assert sum(len(part) for part in parts) == len(curves) - setups
    assert sum(sum_of_squares(part) for part in parts) == pytest.approx(left, rel=1e-10)
    assert len(layers.session) <= sessions - 1


def shifted(curves, layout, *, setup=0.0, session=0.0, cell=0.0, drift=0.0):
    """Return curves with constants added to setups, sessions, cells and along the run order."""
    shifts = []
    for s, k, place in zip(curves.session, curves.setup, curves.order, strict=True):
        number, letter = int(s[1:]), ord(k)
        own = np.random.default_rng([number, letter]).normal()
        shifts.append(setup * letter + session * number**2 + cell * own + drift * place * number)
    log_torque = curves.log_torque + np.array(shifts)[:, None]
    return laid_out(*layout, curves=log_torque, rpm=curves.rpm)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(
    ("layer", "change"),
    [
        ("pull", {"setup": 1.0, "session": 1.0, "cell": 3.0, "drift": 0.5}),
        ("slope", {"setup": 1.0, "session": 1.0, "cell": 3.0}),
        ("session", {"setup": 1.0}),
        ("refit", {"setup": 1.0, "session": 1.0}),
    ],
)
def test_what_a_layer_must_not_feel(layout, layer, change):
    curves = random_curves(layout)
    before = getattr(split_layers(curves), layer)
    after = getattr(split_layers(shifted(curves, layout, **change)), layer)
    np.testing.assert_allclose(after.curves, before.curves, atol=1e-8)


def test_an_unknown_run_order_teaches_no_drift():
    curves = random_curves(("ABAB",))
    unknown = curves_of(
        curves.log_torque, session=curves.session, setup=curves.setup, rpm=curves.rpm
    )
    assert (len(split_layers(curves).slope), len(split_layers(curves).pull)) == (1, 1)
    assert (len(split_layers(unknown).slope), len(split_layers(unknown).pull)) == (0, 2)


def test_a_session_name_on_another_engine_is_another_session():
    curves = curves_of(
        np.random.default_rng(3).normal(size=(4, 1)),
        session=["s"] * 4,
        setup=["A"] * 4,
        engine=["e", "e", "f", "f"],
    )
    layers = split_layers(curves)
    assert len(layers.pull) == 2
    assert len(layers.session) == 0
    assert len(set(layers.sessions.tolist())) == 2


def test_single_pulls_of_different_setups_teach_nothing():
    layers = split_layers(laid_out("ABC"))
    assert [len(part) for part in (layers.pull, layers.slope, layers.session, layers.refit)] == [
        0,
        0,
        0,
        0,
    ]


STUDIES = 40_000


def simulated_layers(layout, *, session_sd=0.0, refit_sd=0.0, drift_sd=0.0, seed=4):
    """Return the layers of 40,000 simulated studies with pull SD 1: every column is a study."""
    rng = np.random.default_rng(seed)
    rows = []
    for run in layout:
        session = session_sd * rng.normal(size=STUDIES)
        drift = drift_sd * rng.normal(size=STUDIES)
        fitted = {setup: refit_sd * rng.normal(size=STUDIES) for setup in sorted(set(run))}
        rows += [
            session + fitted[setup] + place * drift + rng.normal(size=STUDIES)
            for place, setup in enumerate(run, 1)
        ]
    return split_layers(laid_out(*layout, curves=np.array(rows), rpm=np.arange(float(STUDIES))))


@pytest.mark.parametrize("layout", [("AAB", "BCC", "CAAA"), ("AB", "BA", "AB", "AB")])
@pytest.mark.parametrize(
    ("layer", "sd"),
    [
        ("pull", {"session_sd": 1.5, "refit_sd": 0.7, "drift_sd": 0.4}),
        ("slope", {"session_sd": 1.5, "refit_sd": 0.7, "drift_sd": 0.4}),
        ("session", {"session_sd": 1.5}),
        ("refit", {"session_sd": 1.5, "refit_sd": 0.7}),
    ],
)
def test_expected_mean_squares_are_pull_plus_coefficient_times_layer(layout, layer, sd):
    # A mean square over 40,000 studies has a relative standard error of sqrt(2 / studies), 0.7%;
    # four of them are allowed.
    found = getattr(simulated_layers(layout, **sd), layer)
    own = {"pull": 0.0, "slope": sd.get("drift_sd"), "session": 1.5, "refit": 0.7}[layer]
    expected = 1.0 + found.coefficient * own**2
    np.testing.assert_allclose(
        (found.curves**2).mean(axis=1), expected, rtol=4.0 * np.sqrt(2.0 / STUDIES)
    )
    shared = found.curves @ found.curves.T / STUDIES / np.sqrt(np.outer(expected, expected))
    assert np.abs(shared - np.eye(len(shared))).max(initial=0.0) < 5.0 / np.sqrt(STUDIES)
