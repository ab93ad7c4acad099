"""What words leave open: units, double columns, gauge or absolute."""

from __future__ import annotations

import numpy as np
import pytest
from made_logs import ROWS, SPEED, TORQUE, messages, pull, read_columns, reading

from dynostats.errors import InputError
from dynostats.ingest import Ambient
from dynostats.units import convert

POWER_KW = TORQUE * SPEED * np.pi / 30_000.0
CELL = Ambient(pressure_kpa=98.6)


# --- units ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("torque_unit", "power_unit"),
    [("N.m", "kW"), ("N.m", "PS"), ("N.m", "hp"), ("lbf.ft", "hp"), ("kgf.m", "PS")],
)
def test_unstated_torque_and_power_are_told_by_their_product(torque_unit, power_unit):
    log = read_columns(
        {
            "RPM": SPEED,
            "Torque": convert(TORQUE, "N.m", torque_unit).round(2),
            "Power": convert(POWER_KW, "kW", power_unit).round(2),
        }
    )
    assert reading(log, "torque").source_unit == torque_unit
    assert reading(log, "power").source_unit == power_unit
    np.testing.assert_allclose(log.samples["torque"], TORQUE, rtol=1e-3)


@pytest.mark.parametrize("unit", ["kW", "hp", "PS"])
def test_a_stated_torque_tells_the_unit_of_power(unit):
    power = convert(POWER_KW, "kW", unit).round(2)
    log = read_columns({"RPM": SPEED, "Torque [lb-ft]": TORQUE / 1.3558179, "Power": power})
    assert reading(log, "power").source_unit == unit


def test_torque_alone_without_a_unit_is_refused():
    with pytest.raises(InputError, match="unit of column 2 'Torque' is not stated"):
        read_columns({"RPM": SPEED, "Torque": TORQUE})


def test_power_that_fits_no_unit_is_kept_apart_and_told():
    log = read_columns({"RPM": SPEED, "Torque [Nm]": TORQUE, "Power": POWER_KW * 1.2})
    assert "power_unit_unknown" in log.samples.columns
    np.testing.assert_allclose(log.samples["power"], POWER_KW)  # from torque and speed
    assert len(messages(log, "unit_unknown")) == 1


@pytest.mark.parametrize(
    ("header", "values", "channel", "unit"),
    [
        ("Coolant", None, None, None),
        ("Water temp", (185.0, 200.0), "coolant_temperature", "degF"),
        ("Water temp", (85.0, 92.0), "coolant_temperature", "degC"),
        ("Oil pressure", (4.0, 5.5), "oil_pressure", "bar"),
        ("Oil pressure", (55.0, 70.0), "oil_pressure", "psi"),
        ("Oil pressure", (400.0, 550.0), "oil_pressure", "kPa"),
        ("Baro", (29.1, 29.12), "ambient_pressure", "inHg"),
        ("Baro", (986.0, 987.0), "ambient_pressure", "mbar"),
        ("Throttle", (99.0, 100.0), "throttle", "%"),
        ("Throttle", (0.95, 1.0), "throttle", "1"),
    ],
)
def test_units_told_by_values(header, values, channel, unit):
    numbers = np.linspace(*(values or (1.0, 2.0)), ROWS)
    log = read_columns(pull(**{header: numbers}))
    if channel is None:
        assert reading(log, "coolant").known is False
        return
    found = reading(log, channel)
    assert found.source_unit == unit
    assert "fits no other unit" in found.how
    np.testing.assert_allclose(log.samples[channel], convert(numbers, unit, found.unit))
    assert unit in messages(log, "unit_decided")[0]


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("MAP", (22.0, 29.0)),  # psi or inHg
        ("EGT 1", (600.0, 900.0)),  # degC or degF
        ("Charge temp", (50.0, 70.0)),  # degC or degF
        ("Baro", (700.0, 701.0)),  # mbar or mmHg, on a mountain
        ("Fuel flow", (20.0, 40.0)),  # nobody can tell
    ],
)
def test_units_that_values_cannot_tell_are_not_guessed(header, values):
    log = read_columns(pull(**{header: np.linspace(*values, ROWS)}))
    found = next(one for one in log.channels if one.source == header)
    assert found.channel.endswith("_unit_unknown")
    assert not found.known
    assert len(messages(log, "unit_unknown")) == 1


@pytest.mark.parametrize(
    ("values", "unit"),
    [(np.arange(ROWS) * 0.05, "s"), (np.arange(ROWS) * 50.0, "ms"), (np.arange(ROWS) * 1.5, "")],
)
def test_the_clocks_unit_is_told_by_its_steps(values, unit):
    log = read_columns({"Time": values, "RPM": SPEED, "Torque [Nm]": TORQUE})
    if unit:
        np.testing.assert_allclose(log.samples["time"], convert(values, unit, "s"))
    else:
        assert "time" not in log.samples.columns


def test_a_speed_that_is_none_is_refused():
    with pytest.raises(InputError, match="should be engine speed, but runs from 33"):
        read_columns({"Engine speed": SPEED / 60.0, "Torque [Nm]": TORQUE})
    log = read_columns({"Engine speed [1/s]": SPEED / 60.0, "Torque [Nm]": TORQUE})
    np.testing.assert_allclose(log.samples["engine_speed"], SPEED)


# --- double columns -------------------------------------------------------------------------------


def test_two_columns_that_say_the_same_are_one():
    log = read_columns(pull(**{"Torque [lb-ft]": (TORQUE / 1.3558179).round(2)}))
    assert reading(log, "torque").source == "Torque [Nm]"
    assert "both say the same" in messages(log, "duplicate_column")[0]
    assert "torque_column_4" in log.samples.columns


def test_two_columns_that_differ_are_none():
    log = read_columns(pull(**{"Lambda": 0.9 + SPEED * 1e-6, "Lambda [-]": 0.95 + SPEED * 1e-6}))
    assert "lambda" not in log.samples.columns
    assert {"lambda_column_4", "lambda_column_5"} <= set(log.samples.columns)
    assert "+5.5 %" in messages(log, "duplicate_column")[0]


def test_the_clearer_name_wins_over_a_vague_one():
    log = read_columns(pull(**{"Speed [rpm]": SPEED / 2.0}))
    assert reading(log, "engine_speed").source == "RPM"
    assert "clearer" in messages(log, "duplicate_column")[0]


def test_two_engine_speeds_that_differ_are_refused():
    with pytest.raises(InputError, match="engine_speed in columns 2 and 4, -50"):
        read_columns(pull(**{"Engine speed": SPEED / 2.0}))


def test_two_torques_fall_back_on_one_power():
    log = read_columns(pull(**{"Drehmoment [Nm]": TORQUE * 1.03, "Power [kW]": POWER_KW}))
    np.testing.assert_allclose(log.samples["torque"], TORQUE)
    assert reading(log, "torque").source == ""
    assert len(messages(log, "duplicate_column")) == 1


def test_corrected_columns_are_never_taken_for_measured_ones():
    log = read_columns(
        pull(**{"Corrected torque [Nm]": TORQUE * 1.03, "Power corr. [hp]": POWER_KW * 1.38})
    )
    np.testing.assert_allclose(log.samples["torque"], TORQUE)
    np.testing.assert_allclose(log.samples["power"], POWER_KW)
    assert {"torque_corrected", "power_corrected"} <= set(log.samples.columns)


# --- gauge or absolute ----------------------------------------------------------------------------


def boost(low: float, high: float) -> np.ndarray:
    return low + (high - low) * np.sin(np.linspace(0.0, np.pi, ROWS)) ** 2


@pytest.mark.parametrize(
    "header", ["Boost [psig]", "Boost (psi gauge)", "Boost psi g", "Ladedruck rel. [psi]"]
)
def test_gauge_in_words_becomes_absolute_with_the_sheet(header):
    log = read_columns(pull(**{header: boost(0.0, 14.5)}), ambient=CELL)
    np.testing.assert_allclose(
        log.samples["manifold_pressure"], 98.6 + boost(0.0, 14.5) * 6.894757293
    )
    assert "plus ambient 98.6 kPa" in reading(log, "manifold_pressure").how


def test_gauge_takes_each_rows_own_barometer():
    air = np.linspace(98.0, 99.0, ROWS)
    log = read_columns(pull(**{"Boost [kPa gauge]": boost(0.0, 80.0), "Baro [kPa]": air}))
    np.testing.assert_allclose(log.samples["manifold_pressure"], air + boost(0.0, 80.0))


def test_gauge_without_a_barometer_is_kept_apart():
    log = read_columns(pull(**{"Boost [kPa g]": boost(0.0, 80.0)}))
    assert "manifold_pressure" not in log.samples.columns
    np.testing.assert_allclose(log.samples["manifold_pressure_gauge"], boost(0.0, 80.0))
    assert "barometer is not known" in messages(log, "pressure_reference")[0]


@pytest.mark.parametrize(
    "header", ["MAP [kPa]", "Manifold pressure [kPa abs]", "Ladedruck abs. kPa"]
)
def test_absolute_in_words_stays(header):
    log = read_columns(pull(**{header: boost(100.0, 180.0)}), ambient=CELL)
    np.testing.assert_allclose(log.samples["manifold_pressure"], boost(100.0, 180.0))


@pytest.mark.parametrize(
    ("values", "others", "why"),
    [
        (boost(-40.0, 80.0), {}, "which no absolute pressure does"),
        (boost(2.0, 90.0), {}, "far too little"),
        (boost(40.0, 60.0), {"Throttle [%]": np.full(ROWS, 99.5)}, "closed intake"),
    ],
)
def test_values_that_can_only_be_gauge(values, others, why):
    log = read_columns(pull(**{"Manifold pressure [kPa]": values, **others}), ambient=CELL)
    np.testing.assert_allclose(log.samples["manifold_pressure"], 98.6 + values)
    assert why in messages(log, "pressure_reference")[0]


def test_a_name_that_says_boost_helps_to_decide():
    log = read_columns(pull(**{"Boost [psi]": boost(8.0, 15.0)}), ambient=CELL)
    np.testing.assert_allclose(
        log.samples["manifold_pressure"], 98.6 + boost(8.0, 15.0) * 6.894757293
    )
    assert "no boost" in messages(log, "pressure_reference")[0]


def test_standstill_tells():
    speed = np.concatenate([np.zeros(5), SPEED[5:]])
    torque = np.concatenate([np.zeros(5), TORQUE[5:]])
    for rest, reference in ((98.4, "absolute"), (0.1, "gauge")):
        pressure = np.concatenate([np.full(5, rest), np.full(ROWS - 5, rest + 70.0)])
        log = read_columns(
            {"RPM": speed, "Torque [Nm]": torque, "Manifold pressure [kPa]": pressure}, ambient=CELL
        )
        assert "manifold_pressure" in log.samples.columns
        assert f"read as {reference}" in messages(log, "pressure_reference")[0]


def test_a_shut_throttle_tells_absolute():
    throttle = np.concatenate([np.full(5, 2.0), np.full(ROWS - 5, 100.0)])
    torque = np.concatenate([np.full(5, -20.0), TORQUE[5:]])
    pressure = np.concatenate([np.full(5, 35.0), np.full(ROWS - 5, 97.0)])
    log = read_columns(
        {
            "RPM": SPEED,
            "Torque [Nm]": torque,
            "Manifold pressure [kPa]": pressure,
            "Throttle [%]": throttle,
        },
        ambient=CELL,
    )
    np.testing.assert_allclose(log.samples["manifold_pressure"], pressure)
    assert "throttle is shut" in messages(log, "pressure_reference")[0]


@pytest.mark.parametrize(("low", "high"), [(150.0, 185.0), (90.0, 98.0), (52.0, 87.0)])
def test_values_that_may_be_either_are_refused(low, high):
    log = read_columns(pull(**{"Manifold pressure [kPa]": boost(low, high)}), ambient=CELL)
    assert "manifold_pressure" not in log.samples.columns
    np.testing.assert_allclose(log.samples["manifold_pressure_unreferenced"], boost(low, high))
    assert "may be either" in messages(log, "pressure_reference")[0]


def test_one_spike_decides_nothing():
    values = boost(150.0, 185.0)
    values[7] = -50.0
    log = read_columns(pull(**{"Manifold pressure [kPa]": values}), ambient=CELL)
    assert "manifold_pressure" not in log.samples.columns


@pytest.mark.parametrize(
    ("header", "low", "high"),
    [("MAP [kPa]", 5.0, 90.0), ("MAP [kPa abs]", -30.0, 90.0), ("Boost [kPa g]", -150.0, 60.0)],
)
def test_words_that_values_contradict_are_not_believed(header, low, high):
    log = read_columns(pull(**{header: boost(low, high)}), ambient=CELL)
    assert "manifold_pressure" not in log.samples.columns
    assert "manifold_pressure_unreferenced" in log.samples.columns


def test_an_absolute_pressure_below_ambient_all_through_is_doubted():
    log = read_columns(pull(**{"MAP [kPa]": boost(50.0, 80.0)}), ambient=CELL)
    np.testing.assert_allclose(log.samples["manifold_pressure"], boost(50.0, 80.0))
    assert "or is it gauge?" in messages(log, "manifold_low")[0]


def test_sheet_and_file_that_disagree_on_the_barometer_are_told():
    log = read_columns(pull(**{"Baro [kPa]": np.full(ROWS, 100.3)}), ambient=CELL)
    assert messages(log, "ambient_differs") == [
        "The sheet says 98.6 kPa ambient pressure, the file 100.3 kPa."
    ]
    assert log.ambient.pressure_kpa == pytest.approx(100.3)
