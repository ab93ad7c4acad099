from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dynostats.errors import InputError
from dynostats.simulate.faults import Fault, apply_fault

ROWS = 101
SPEED = np.linspace(2000.0, 6000.0, ROWS)
CLEAN = pl.DataFrame(
    {
        "time": np.arange(ROWS) / 10.0,
        "engine_speed": SPEED,
        "torque": np.full(ROWS, 300.0),
        "power": 300.0 * SPEED * np.pi / 30_000.0,
        "fuel_pressure": np.full(ROWS, 300.0),
        "charge_temperature": np.linspace(30.0, 50.0, ROWS),
    }
)


def spoil(**fault):
    return apply_fault(CLEAN, Fault(**fault), np.random.default_rng(31))


def test_a_pull_that_ends_early():
    assert spoil(kind="ends_early", at=0.4).height == 40


def test_torque_that_collapses_stays_down():
    spoilt = spoil(kind="torque_collapse", at=0.5, severity=0.7)
    assert spoilt["torque"][50] == 300.0
    assert spoilt["torque"][-1] == pytest.approx(90.0)
    assert spoilt["power"][-1] == pytest.approx(0.3 * CLEAN["power"][-1])


def test_a_lift_reverses_speed_and_keeps_power_consistent():
    spoilt = spoil(kind="speed_reversal", at=0.5, severity=800.0)
    assert spoilt["engine_speed"][50] == pytest.approx(4000.0 - 800.0)
    assert np.diff(spoilt["engine_speed"]).min() < 0.0
    reckoned = spoilt["torque"] * spoilt["engine_speed"] * np.pi / 30_000.0
    np.testing.assert_allclose(spoilt["power"], reckoned, rtol=1e-12)


def test_fuel_pressure_is_lost():
    spoilt = spoil(kind="fuel_pressure_loss", at=0.5, severity=0.4)
    assert spoilt["fuel_pressure"][50] == 300.0
    assert spoilt["fuel_pressure"][-1] == pytest.approx(180.0)


def test_a_missing_channel():
    assert (
        "charge_temperature"
        not in spoil(kind="missing_channel", channel="charge_temperature").columns
    )


def test_a_flat_line_from_its_start():
    values = spoil(kind="flat_line", channel="charge_temperature", at=0.4)["charge_temperature"]
    assert values[:41].equals(CLEAN["charge_temperature"][:41])
    assert set(values[40:]) == {values[40]}


def test_spikes_are_few_and_tall():
    spoilt = spoil(kind="spikes", channel="charge_temperature", at=0.2, severity=3)
    jump = (spoilt["charge_temperature"] - CLEAN["charge_temperature"]).to_numpy()
    assert np.count_nonzero(jump) == 3
    np.testing.assert_allclose(np.abs(jump[jump != 0.0]), 0.15 * 20.0)
    assert np.flatnonzero(jump).min() >= 20


def test_a_saturated_channel():
    values = spoil(kind="saturation", channel="charge_temperature", severity=0.8)[
        "charge_temperature"
    ]
    assert values.max() == pytest.approx(40.0)
    assert (values == values.max()).sum() > 40


def test_a_gap_in_the_clock():
    spoilt = spoil(kind="clock_gap", at=0.5, severity=1.0)
    assert np.diff(spoilt["time"]).max() == pytest.approx(1.0)
    assert spoilt.height == ROWS - 9


def test_power_that_does_not_match():
    np.testing.assert_allclose(
        spoil(kind="power_mismatch", severity=3.1)["power"], 1.031 * CLEAN["power"].to_numpy()
    )


def test_a_hot_start_is_not_in_the_log_itself():
    assert spoil(kind="hot_start", severity=20.0).equals(CLEAN)


def test_a_channel_that_is_not_there_is_named():
    with pytest.raises(InputError, match=r"no channel .boost. to spoil.*engine_speed"):
        spoil(kind="flat_line", channel="boost")


def test_the_clean_log_is_left_alone():
    before = CLEAN.clone()
    spoil(kind="flat_line", channel="charge_temperature")
    assert CLEAN.equals(before)
