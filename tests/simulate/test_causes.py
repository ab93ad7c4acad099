from __future__ import annotations

import numpy as np
import pytest

from dynostats.simulate.causes import CauseModel, simulate_causes
from dynostats.simulate.curves import lay_out
from dynostats.simulate.noise import CurveNoise

RPM = np.arange(3000.0, 6001.0, 100.0)
LAYOUT = lay_out("ABBA", "ABBA")
SHIFTS = np.array([[0.0, 0.0, 0.0], [0.02, -0.01, 0.005]])[:, :, None] * np.ones_like(RPM)
REST = np.array([0.0, 0.003])[:, None] * np.ones_like(RPM)
SILENT = CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.0, drift_pct_per_pull=0.0)
STILL = CauseModel(pull_sd_pct=(0.0,) * 3, session_sd_pct=(0.0,) * 3)


def simulate(noise, model, studies=400):
    return simulate_causes(
        LAYOUT,
        RPM,
        noise,
        model=model,
        setup_shifts=SHIFTS,
        rest=REST,
        studies=studies,
        rng=np.random.default_rng(21),
    )


def test_parts_are_exponent_times_shift():
    parts = simulate(SILENT, STILL, studies=1).parts[:, 1, 0]
    np.testing.assert_allclose(parts, [1.05 * 0.02, -0.6 * -0.01, -0.15 * 0.005, 0.003])


def test_parts_add_up_to_the_difference_of_the_setups():
    found = simulate(SILENT, STILL, studies=1)
    difference = found.log_torque[0, 1] - found.log_torque[0, 0]
    np.testing.assert_allclose(found.parts[:, 1].sum(axis=0), difference, atol=1e-15)


def test_regression_on_the_causes_gives_the_exponents_back():
    found = simulate(SILENT, CauseModel())
    setup = LAYOUT.setup
    causes = found.log_causes[:, :, setup == 0].reshape(3, -1)
    torque = found.log_torque[:, setup == 0].ravel()
    coefficients = np.linalg.lstsq(causes.T, torque, rcond=None)[0]
    np.testing.assert_allclose(coefficients, [1.05, -0.6, -0.15], atol=1e-10)


def test_pressure_and_temperature_move_together_as_asked():
    found = simulate(SILENT, CauseModel(pressure_temperature_correlation=0.95))
    pressure, temperature, mixture = found.log_causes[:, :, 0, 10]
    # SE of a correlation of 0.95 from 400 studies: (1 - 0.95^2) / 20 = 0.005.
    assert np.corrcoef(pressure, temperature)[0, 1] == pytest.approx(0.95, abs=0.025)
    assert abs(np.corrcoef(pressure, mixture)[0, 1]) < 0.25


def test_reading_error_is_in_the_readings_alone():
    read = simulate(SILENT, CauseModel(reading_sd_pct=(0.5, 0.0, 0.0)))
    clean = simulate(SILENT, CauseModel())
    np.testing.assert_array_equal(read.log_torque, clean.log_torque)
    error = 100.0 * (read.log_causes - clean.log_causes)
    assert error[0].std() == pytest.approx(0.5, rel=0.05)
    np.testing.assert_array_equal(error[1:], 0.0)
