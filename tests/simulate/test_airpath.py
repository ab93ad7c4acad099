from __future__ import annotations

import numpy as np
import pytest

from dynostats.simulate import airpath


def test_compressor_heating_worked_by_hand():
    # 2^(0.4/1.4) = 1.219014; 298.15 K x 0.219014 / 0.70 = 93.28 K above the inlet's 25 degC.
    out = airpath.compressor_out_temperature_c(25.0, np.array([2.0]), 0.70)
    assert out[0] == pytest.approx(25.0 + 298.15 * 0.219014 / 0.70, abs=1e-3)


def test_no_compression_no_heating():
    assert airpath.compressor_out_temperature_c(25.0, np.array([1.0]), 0.7)[0] == pytest.approx(
        25.0
    )


def test_loss_is_dynamic_pressure_times_the_loss_coefficient():
    # zeta 1 through 10 cm2: 0.1 kg/s of 1.2 kg/m3 flows at 83.33 m/s; rho v^2 / 2 = 4166.7 Pa.
    loss = airpath.pressure_loss_kpa(1.0 / 0.001**2, np.array([0.1]), np.array([1.2]))
    assert loss[0] == pytest.approx(4.16667, abs=1e-4)


def test_loss_grows_with_the_square_of_flow():
    one, two = airpath.pressure_loss_kpa(1e5, np.array([0.1, 0.2]), np.array([1.2, 1.2]))
    assert two / one == pytest.approx(4.0)


def test_effectiveness_at_the_rated_flow():
    # Kays & London, C* = 0: 1 - exp(-NTU); NTU 1.5 gives 0.777.
    assert airpath.cooler_effectiveness(1.5, np.array([0.2]), 0.2)[0] == pytest.approx(
        0.777, abs=5e-4
    )


def test_effectiveness_falls_with_flow():
    values = airpath.cooler_effectiveness(1.5, np.linspace(0.05, 0.3, 20), 0.2)
    assert np.all(np.diff(values) < 0.0)


def test_turbine_gives_the_power_asked_for():
    ratio = airpath.turbine_expansion_ratio(
        np.array([5e3, 18e3, 30e3]),
        np.array([105.0, 110.0, 130.0]),
        np.array([700.0, 850.0, 900.0]),
        flow_coefficient=2.6e-5,
        efficiency=0.66,
    )
    inlet_k = np.array([700.0, 850.0, 900.0]) + 273.15
    flow = 2.6e-5 * ratio * np.array([105e3, 110e3, 130e3]) / np.sqrt(inlet_k)
    power = flow * 1150.0 * inlet_k * 0.66 * (1.0 - ratio ** (-0.33 / 1.33))
    np.testing.assert_allclose(power, [5e3, 18e3, 30e3], rtol=1e-9)


def test_lower_back_pressure_lowers_the_pressure_before_the_turbine():
    powers, inlet = np.array([18e3, 18e3]), np.array([850.0, 850.0])
    behind = np.array([130.0, 110.0])
    ratio = airpath.turbine_expansion_ratio(
        powers, behind, inlet, flow_coefficient=2.6e-5, efficiency=0.66
    )
    before = ratio * behind
    assert before[1] < before[0]
