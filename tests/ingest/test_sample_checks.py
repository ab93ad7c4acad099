"""What is told about clock, flat lines, and power against torque times speed."""

from __future__ import annotations

import numpy as np
import pytest
from made_logs import ROWS, SPEED, TORQUE, messages, pull, read_columns

from dynostats.units import convert

POWER_KW = TORQUE * SPEED * np.pi / 30_000.0
RNG_SEED = 11


def test_no_clock_is_told():
    log = read_columns({"RPM": SPEED, "Torque [Nm]": TORQUE})
    assert len(messages(log, "no_clock")) == 1


def test_a_jittering_clock_is_no_gap():
    rng = np.random.default_rng(RNG_SEED)
    time = np.cumsum(rng.uniform(0.05, 0.2, ROWS))
    log = read_columns(pull(**{"Time [s]": time}))
    assert messages(log, "clock_gap") == []


def test_a_lost_sample_of_a_regular_clock_is_a_gap():
    time = np.delete(np.arange(ROWS + 1) * 0.1, 12)
    log = read_columns(pull(**{"Time [s]": time}))
    assert "0.2 s before row 13" in messages(log, "clock_gap")[0]


def test_a_clock_coarser_than_the_samples_is_told_once():
    log = read_columns(pull(**{"Time [s]": np.floor(np.arange(ROWS) / 5) * 0.5}))
    assert "24 of 30 rows" in messages(log, "clock_coarse")[0]
    assert messages(log, "clock_repeated") == []


def test_a_stopped_clock_is_told():
    log = read_columns(pull(**{"Time [s]": np.full(ROWS, 4.0)}))
    assert len(messages(log, "clock_stopped")) == 1


def test_missing_stamps_are_told():
    log = read_columns(pull(**{"Time [s]": ["" if row == 4 else row * 0.1 for row in range(ROWS)]}))
    assert "row 5" in messages(log, "clock_missing")[0]


def test_coarse_and_held_readings_are_not_flat():
    rng = np.random.default_rng(RNG_SEED)
    coarse = np.round(np.linspace(100.0, 104.0, 400))
    held = np.repeat(rng.normal(0.88, 0.01, 40), 10).round(4)
    time = np.arange(400) * 0.01
    log = read_columns(
        {
            "Time [s]": time,
            "RPM": 2000.0 + 1000.0 * time,
            "Torque [Nm]": 300.0 + rng.normal(size=400),
            "MAP [kPa]": coarse,
            "Lambda": held,
        }
    )
    assert messages(log, "flat_line") == []


def test_a_dead_sensor_is_flat_and_a_steady_throttle_is_not():
    log = read_columns(
        pull(**{"MAP [kPa]": np.full(ROWS, 180.0), "Throttle [%]": np.full(ROWS, 99.9)})
    )
    (line,) = messages(log, "flat_line")
    assert "manifold_pressure" in line
    assert "rows 1 to 30 at 180 kPa" in line


@pytest.mark.parametrize(
    ("labelled", "meant", "words"),
    [
        ("hp", "PS", "in PS but labelled hp"),
        ("PS", "hp", "in hp but labelled PS"),
        ("kW", "hp", "in hp but labelled kW"),
        ("kW", "PS", "in PS but labelled kW"),
        ("hp", "kW", "in kW but labelled hp"),
    ],
)
def test_power_under_a_wrong_label_is_told(labelled, meant, words):
    shown = convert(POWER_KW, "kW", meant).round(2)
    log = read_columns(pull(**{f"Power [{labelled}]": shown}))
    (line,) = messages(log, "power_torque_mismatch")
    assert words in line
    np.testing.assert_allclose(log.samples["power"], convert(shown, labelled, "kW"))


def test_torque_under_a_wrong_label_is_told():
    log = read_columns(
        {"RPM": SPEED, "Torque [Nm]": (TORQUE / 1.3558179).round(2), "Power [kW]": POWER_KW}
    )
    assert "lbf.ft but labelled N.m" in messages(log, "power_torque_mismatch")[0]


def test_a_corrected_power_is_told():
    log = read_columns(pull(**{"Power [kW]": POWER_KW * 1.031}))
    (line,) = messages(log, "power_torque_mismatch")
    assert "1.0310 times" in line
    assert "corrected" in line


def test_rounding_is_no_mismatch():
    log = read_columns(
        {"RPM": SPEED, "Torque [Nm]": TORQUE.round(), "Power [hp]": (POWER_KW / 0.7457).round()}
    )
    assert messages(log, "power_torque_mismatch") == []
