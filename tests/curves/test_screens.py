"""The screens before the acceptance checks: what they pass, the check itself passes too.

A screen is only there for speed. Each is set beside its check on channels of every kind: quiet and
noisy, steep and flat, coarse, with spikes one to three rows wide, at a limit, with gaps.
"""

from __future__ import annotations

import numpy as np
import pytest

from dynostats.arrays import Channels
from dynostats.curves import Sweep
from dynostats.curves.acceptance import Evidence, judge_pull, load, measure_cylinders, pressures
from dynostats.curves.acceptance.sensors import _check_spikes, _is_smooth

TRIALS = 400
RPM = np.arange(2000.0, 6550.0, 50.0)


def channel_of(rng, rows):
    """Return a channel as loggers write them, and sometimes as broken ones do."""
    course = np.linspace(0.0, 1.0, rows)
    values = 300.0 + rng.choice([0.0, 5.0, 500.0]) * course + 40.0 * np.sin(4.0 * course)
    values += rng.choice([0.0, 0.1, 2.0, 20.0]) * rng.standard_normal(rows)
    if rng.random() < 0.3:
        values = np.round(values / 5.0) * 5.0
    for _ in range(rng.integers(0, 4)):
        start = rng.integers(0, rows)
        values[start : start + rng.integers(1, 4)] += rng.choice([-1, 1]) * rng.choice([5, 30, 300])
    if rng.random() < 0.2:
        values[rng.integers(0, rows)] = np.nan
    return values


def test_a_smooth_channel_has_no_spike():
    rng = np.random.default_rng(1)
    passed = found = 0
    for _ in range(TRIALS):
        table = np.array([channel_of(rng, 200) for _ in range(5)])
        smooth = _is_smooth(table)
        for values, screened in zip(table, smooth, strict=True):
            known = values[np.isfinite(values)]
            findings = list(_check_spikes("torque", known, np.arange(len(known))))
            assert not (screened and findings)
            passed += screened
            found += bool(findings)
    assert passed > TRIALS  # the screen does pass the ordinary ones
    assert found > TRIALS


@pytest.mark.parametrize("most", [0.10, 0.15])
def test_a_pressure_that_holds_never_falls_by_more(most):
    rng = np.random.default_rng(2)
    passed = found = 0
    for _ in range(TRIALS):
        pressure = 400.0 * (1.0 - rng.choice([0.0, 0.05, most, 0.3]) * np.linspace(0, 1, 60))
        pressure += rng.choice([0.0, 1.0, 20.0]) * rng.standard_normal(60)
        pressure -= rng.choice([0.0, 0.0, 390.0])
        share, _, _ = pressures._largest_fall(pressure, np.zeros(60))
        holds = pressures._holds(pressure, most)
        assert not (holds and share > most)
        passed += holds
        found += share > most
    assert passed > TRIALS / 10
    assert found > TRIALS / 10


def test_a_torque_that_holds_never_falls_within_reach():
    rng = np.random.default_rng(3)
    passed = found = 0
    for _ in range(TRIALS):
        torque = 300.0 + 100.0 * np.sin((RPM - 1500.0) / rng.choice([700.0, 1500.0, 3500.0]))
        torque += rng.choice([0.0, 1.0, 15.0]) * rng.standard_normal(len(RPM))
        if rng.random() < 0.5:
            torque[rng.integers(0, len(RPM)) :] *= 1.0 - rng.choice([0.05, 0.15, 0.16, 0.5])
        reach = max(load.LEAST_REACH_RPM, load.REACH_SHARE * (RPM[-1] - RPM[0]))
        holds = load._holds(RPM, torque, reach)
        ahead = RPM[None, :] - RPM[:, None]
        falls = np.where((ahead > 0) & (ahead <= reach), 1 - torque[None, :] / torque[:, None], 0)
        assert not (holds and falls.max() > load.SAG_SHARE)
        passed += holds
        found += falls.max() > load.SAG_SHARE
    assert passed > TRIALS / 10
    assert found > TRIALS / 10


def judge(**channels):
    """Judge a made pull whose samples stand on the grid already."""
    curve = Channels(("rpm", *channels), np.array([RPM, *channels.values()]))
    samples = Channels(("engine_speed", *channels), curve.values)
    whole = Sweep(first_row=0, last_row=len(RPM) - 1)
    pull = Evidence(samples=samples, sweep=whole, curve=curve, last_row=len(RPM) - 1)
    return {finding.check: finding for finding in judge_pull(pull)}


def test_an_ordinary_pull_passes_without_a_word():
    rng = np.random.default_rng(4)
    found = judge(
        torque=300.0 + rng.standard_normal(len(RPM)),
        oil_pressure=np.linspace(250.0, 450.0, len(RPM)),
        fuel_pressure=350.0 + rng.standard_normal(len(RPM)),
        lambda_1=np.full(len(RPM), 0.86),
        lambda_2=np.full(len(RPM), 0.87),
    )
    assert found == {}


def test_torque_that_breaks_down_is_void_and_says_where():
    torque = np.where(RPM < 4600.0, 300.0, 150.0)
    found = judge(torque=torque)["torque_collapsed"]
    assert found.severity == "void"
    assert "falls by 50%" in found.message
    assert "4600 rpm" in found.message


def test_a_gauge_below_zero_gives_no_absurd_share():
    fuel = np.where(RPM < 4000.0, 350.0, -484.0 - RPM)
    found = judge(fuel_pressure=fuel)["fuel_pressure_lost"]
    assert found.severity == "void"
    assert "from 350 kPa" in found.message
    assert float(found.message.split("falls by ")[1].split("%")[0]) < 3000.0


def test_a_channel_that_sits_at_its_limit_now_and_then_is_told():
    rng = np.random.default_rng(5)
    pressure = np.minimum(190.0 + 5.0 * rng.standard_normal(len(RPM)), 194.0)
    found = judge(manifold_pressure=pressure)["saturated"]
    assert "highest value, 194" in found.message


def test_cylinders_are_compared_where_two_of_them_were_read():
    first = np.full(len(RPM), 0.86)
    second = np.where(RPM > 5000.0, 1.04, 0.87)
    third = np.full(len(RPM), np.nan)
    curve = Channels(
        ("rpm", "lambda_1", "lambda_2", "lambda_12"), np.array([RPM, first, second, third])
    )
    found = measure_cylinders(curve, "lambda")
    worst = int(found.spread.argmax())
    assert found.rpm[worst] == 5050.0
    assert found.spread[worst] == pytest.approx(0.18)
    assert found.mean[worst] == pytest.approx(0.95)
    assert set(found.cylinder) == {2}
    assert measure_cylinders(curve, "exhaust_temperature") is None
    lean = judge(lambda_1=first, lambda_2=second)["lean_cylinder"]
    assert "Cylinder 2 runs at lambda 1.04" in lean.message


def test_channels_are_a_frame_and_back():
    table = Channels(("time", "torque"), np.array([[0.0, 0.1], [np.nan, 300.0]]))
    frame = table.frame()
    assert frame["torque"].null_count() == 1
    again = Channels.of(frame)
    np.testing.assert_array_equal(again.values, table.values)
    assert again.get("power") is None
    assert Channels.of(again) is again
