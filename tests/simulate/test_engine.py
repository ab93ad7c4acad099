from __future__ import annotations

import numpy as np
import pytest

from dynostats.simulate.scenario import BREATHING_FOUR, TURBO_FIVE


def test_displacement_of_the_inline_five():
    # pi/4 x 79^2 x 86 x 5 = 2,107,718 mm3.
    assert TURBO_FIVE.displacement_m3() * 1e9 == pytest.approx(2_107_718, abs=1)


def test_a_quantity_runs_linearly_over_the_speed_range():
    rpm = np.array([2000.0, 4700.0, 7400.0])
    np.testing.assert_allclose(BREATHING_FOUR.over_speed(rpm, 0.91, 0.87), [0.91, 0.89, 0.87])


def test_boost_is_half_at_the_spool_speed_and_tapers_at_the_top():
    turbo = TURBO_FIVE.turbo
    rpm = np.array([turbo.spool_rpm, 4500.0, 6800.0])
    gauge = turbo.out_pressure_kpa(rpm, 99.0, 4500.0, 6800.0) - 99.0
    assert gauge[0] == pytest.approx(42.5)
    assert gauge[1] == pytest.approx(85.0, abs=0.5)
    assert gauge[2] == pytest.approx(70.0, abs=0.1)


def test_the_compressor_is_best_at_its_best_flow():
    turbo = TURBO_FIVE.turbo
    flow = np.array([0.10, 0.15, 0.20, 0.60])
    assert np.argmax(turbo.efficiency(flow)) == 1
    assert turbo.efficiency(flow)[3] == 0.45
