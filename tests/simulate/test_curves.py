from __future__ import annotations

import numpy as np
import pytest

from dynostats.errors import AnalysisError
from dynostats.simulate.curves import lay_out, simulate_curves
from dynostats.simulate.noise import CurveNoise

RPM = np.arange(2500.0, 6501.0, 100.0)
SILENT = CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.0, drift_pct_per_pull=0.0)


def simulate(layout, noise, **options):
    settings = {"studies": 2000, "rng": np.random.default_rng(11)} | options
    return simulate_curves(layout, RPM, noise, **settings)


def test_layout_of_two_sessions():
    layout = lay_out("ABBA", "AC")
    assert layout.setup.tolist() == [0, 1, 1, 0, 0, 2]
    assert layout.session.tolist() == [0, 0, 0, 0, 1, 1]
    assert layout.order.tolist() == [1, 2, 3, 4, 1, 2]


@pytest.mark.parametrize("sessions", [(), ("",), ("ab",), ("A1",)])
def test_a_layout_needs_letters(sessions):
    with pytest.raises(AnalysisError, match="letters A to Z"):
        lay_out(*sessions)


def test_without_noise_the_setups_curves_come_back():
    curves = np.vstack([np.zeros_like(RPM), np.linspace(0.0, 0.04, len(RPM))])
    found = simulate(lay_out("AB"), SILENT, studies=3, setup_curves=curves)
    np.testing.assert_array_equal(found, np.broadcast_to(curves, (3, 2, len(RPM))))


def test_drift_starts_after_the_first_pull():
    noise = CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.0, drift_pct_per_pull=-0.1)
    found = simulate(lay_out("AAA", "AA"), noise, studies=1)[0, :, 0]
    np.testing.assert_allclose(100.0 * found, [0.0, -0.1, -0.2, 0.0, -0.1], atol=1e-12)


def test_a_session_is_shared_by_its_pulls_alone():
    noise = CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.5, drift_pct_per_pull=0.0)
    found = simulate(lay_out("AB", "AB"), noise)
    np.testing.assert_array_equal(found[:, 0], found[:, 1])
    across = np.corrcoef(found[:, 0, 20], found[:, 2, 20])[0, 1]
    assert abs(across) < 5.0 / np.sqrt(2000)


def test_variance_of_a_difference_within_and_across_sessions():
    # Var(A - B) = 2 pull^2 in one session, 2 (pull^2 + session^2) in two.
    noise = CurveNoise(pull_sd_pct=0.4, session_sd_pct=0.5, drift_pct_per_pull=0.0)
    found = 100.0 * simulate(lay_out("AB", "B"), noise)
    within = np.mean((found[:, 1] - found[:, 0]) ** 2)
    across = np.mean((found[:, 2] - found[:, 0]) ** 2)
    assert within == pytest.approx(2 * 0.4**2, rel=0.06)
    assert across == pytest.approx(2 * (0.4**2 + 0.5**2), rel=0.06)


def test_the_same_seed_gives_the_same_studies():
    one, two = (simulate(lay_out("ABAB"), CurveNoise(), studies=5) for _ in range(2))
    np.testing.assert_array_equal(one, two)
