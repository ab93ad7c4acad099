from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dynostats.simulate.cell import quiet_session
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise
from dynostats.simulate.pull import simulate_pull
from dynostats.simulate.scenario import BRAKE, SETUPS, TURBO_FIVE
from dynostats.simulate.setup import Setup
from dynostats.simulate.truth import CAUSES, find_truth

SILENT = replace(
    BRAKE,
    noise=CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.0, drift_pct_per_pull=0.0),
    boost_pull_sd_pct=0.0,
    mixture_pull_sd_pct=0.0,
    sample_noise={},
)
SESSION = quiet_session(BRAKE, TURBO_FIVE, Ambient())
BASE = Setup(name="base")


def truth(candidate, baseline=BASE):
    return find_truth(TURBO_FIVE, baseline, candidate, SESSION)


ALL = Setup(
    name="all",
    boost=1.05,
    mixture=1.03,
    cooler_transfer=1.3,
    exhaust_resistance=0.6,
    friction=0.97,
)


def test_parts_add_up_at_every_speed():
    curve = truth(ALL).curve
    total = 100.0 * np.log(curve["candidate_nm"].to_numpy() / curve["baseline_nm"].to_numpy())
    parts = sum(curve[cause].to_numpy() for cause in CAUSES)
    np.testing.assert_allclose(parts, total, atol=1e-7)


def test_swapping_the_sides_turns_every_part_round():
    there, back = truth(ALL), truth(BASE, baseline=ALL)
    for cause in CAUSES:
        np.testing.assert_allclose(there.curve[cause], -back.curve[cause].to_numpy(), atol=1e-9)


def test_no_change_has_no_effect():
    same = truth(Setup(name="same"))
    assert same.effect_pct == 0.0
    assert all(part == pytest.approx(0.0, abs=1e-9) for part in same.parts_log_pct.values())


def test_mixture_alone_is_mixture():
    parts = truth(Setup(name="richer", mixture=0.94)).parts_log_pct
    assert parts["mixture"] < -0.8
    assert all(abs(parts[cause]) < 0.03 for cause in CAUSES if cause != "mixture")


def test_timing_is_none_of_the_measured_causes():
    parts = truth(Setup(name="earlier", timing_deg=2.0)).parts_log_pct
    assert parts["rest"] > 0.5
    assert all(parts[cause] == pytest.approx(0.0, abs=1e-9) for cause in CAUSES[:3])


def test_more_boost_is_boost_and_costs_charge_temperature():
    parts = truth(Setup(name="boost", boost=1.10)).parts_log_pct
    assert parts["boost"] > 3.0
    assert parts["charge_temperature"] < 0.0
    # 10% of 85 kPa gauge over some 170 kPa absolute at an exponent of about 1.15.
    assert parts["boost"] == pytest.approx(5.0, abs=1.5)


def test_a_cooler_core_trades_temperature_for_pressure():
    parts = truth(SETUPS["deep-core"]).parts_log_pct
    assert parts["charge_temperature"] > 0.2
    assert parts["boost"] < -0.2


def test_log_without_noise_shows_the_true_effect():
    session = quiet_session(SILENT, TURBO_FIVE, Ambient())
    wide = SETUPS["outlet-70"]
    expected = find_truth(TURBO_FIVE, BASE, wide, session, step_rpm=20.0)
    logs = [
        simulate_pull(TURBO_FIVE, setup, session, order=1, rng=np.random.default_rng(0))
        for setup in (BASE, wide)
    ]
    torque = [np.interp(expected.curve["rpm"], *rise(log)) for log in logs]
    effect = 100.0 * (torque[1] / torque[0] - 1.0)
    inside = slice(1, -1)
    # The lead-in warms the cooler a little before the rise that truth is reckoned on.
    np.testing.assert_allclose(effect[inside], expected.curve["effect_pct"][inside], atol=0.03)


def rise(log):
    loaded = log.filter(log["throttle"] > 99.0)
    return loaded["engine_speed"].to_numpy(), loaded["torque"].to_numpy()


def test_the_dict_holds_plain_values():
    plain = truth(SETUPS["outlet-70"]).to_dict()
    assert plain["engine"] == "QB-21T"
    assert list(plain["curve"]) == [
        "rpm",
        "baseline_nm",
        "candidate_nm",
        "baseline_kw",
        "candidate_kw",
        "effect_pct",
        *CAUSES,
    ]
    assert isinstance(plain["curve"]["rpm"][0], float)
