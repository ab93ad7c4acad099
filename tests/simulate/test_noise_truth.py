from __future__ import annotations

import numpy as np
import pytest

from dynostats.simulate.cell import open_session
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise_truth import find_noise_truth
from dynostats.simulate.pull import simulate_pull
from dynostats.simulate.scenario import BRAKE, BREATHING_FOUR, SETUPS, TURBO_FIVE

AIR = Ambient(pressure_kpa=99.2, temperature_c=24.0)
STOCK = SETUPS["outlet-54"]
GRID = np.arange(2600.0, 6401.0, 200.0)


def log_torque(session, order, rng):
    log = simulate_pull(TURBO_FIVE, STOCK, session, order=order, rng=rng)
    rising = log.filter(log["throttle"] > 99.0)
    speed, torque = rising["engine_speed"].to_numpy(), np.log(rising["torque"].to_numpy())
    kernel = np.exp(-0.5 * ((GRID[:, None] - speed) / 60.0) ** 2)
    return 100.0 * (kernel @ torque) / kernel.sum(axis=1)


def test_pulls_scatter_as_stated():
    stated = find_noise_truth(TURBO_FIVE, STOCK, BRAKE, AIR)
    rng = np.random.default_rng(41)
    session = open_session(BRAKE, TURBO_FIVE, AIR, rng)
    curves = np.array([log_torque(session, 1, rng) for _ in range(120)])
    found = np.sqrt(np.mean(curves.var(axis=0, ddof=1)))
    # 120 pulls of some three independent pieces: SE of the SD about 4%; sample noise adds 1%.
    assert found == pytest.approx(stated.to_dict()["pull_sd_pct"], rel=0.12)
    band_mean = curves.mean(axis=1).std(ddof=1)
    assert band_mean == pytest.approx(stated.to_dict()["band_mean_pull_sd_pct"], rel=0.2)


def test_drift_is_what_later_pulls_lose():
    stated = find_noise_truth(TURBO_FIVE, STOCK, BRAKE, AIR).drift_pct_per_pull
    session = open_session(BRAKE, TURBO_FIVE, AIR, np.random.default_rng(42))
    first, sixth = (log_torque(session, order, np.random.default_rng(0)).mean() for order in (1, 6))
    assert (sixth - first) / 5.0 == pytest.approx(stated, abs=0.02)


def test_weather_between_sessions_adds_what_the_barometer_does():
    calm = find_noise_truth(BREATHING_FOUR, SETUPS["stock"], BRAKE, AIR)
    windy = find_noise_truth(BREATHING_FOUR, SETUPS["stock"], BRAKE, AIR, pressure_sd_kpa=1.0)
    added = np.diag(windy.session_covariance) - np.diag(calm.session_covariance)
    # ISO 1585: torque goes as dry pressure^1.2; 1 kPa of 99.2 is 1.008%.
    assert np.sqrt(added).mean() == pytest.approx(1.2 * 1.008, rel=0.12)


def test_covariances_are_symmetric_and_positive():
    stated = find_noise_truth(TURBO_FIVE, STOCK, BRAKE, AIR, pressure_sd_kpa=0.3)
    for matrix in (stated.pull_covariance, stated.session_covariance):
        np.testing.assert_allclose(matrix, matrix.T)
        assert np.linalg.eigvalsh(matrix).min() > -1e-9


def test_the_curve_has_a_row_a_speed():
    stated = find_noise_truth(TURBO_FIVE, STOCK, BRAKE, AIR)
    assert stated.curve().columns == ["rpm", "pull_sd_pct", "session_sd_pct"]
    assert stated.curve()["rpm"].to_list() == list(range(2200, 6801, 50))
