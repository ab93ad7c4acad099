"""Conversions against published factors, and power against torque times speed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dynostats.errors import InputError
from dynostats.units import (
    UNITS,
    convert,
    find_scale,
    find_unit,
    humidity_pct,
    power_kw,
    saturation_pressure_kpa,
    torque_nm,
    unit_dimension,
)

# NIST Special Publication 811 (2008), Appendix B.8, factors as printed (from memory).
NIST = [
    ("hp", "W", 7.456999e2),
    ("PS", "W", 7.354988e2),
    ("psi", "kPa", 6.894757),
    ("inHg", "kPa", 3.386389),
    ("mmHg", "kPa", 1.333224e-1),
    ("atm", "kPa", 1.01325e2),
    ("bar", "kPa", 1.0e2),
    ("kgf/cm2", "kPa", 9.80665e1),
    ("lbf.ft", "N.m", 1.355818),
    ("lbf.in", "N.m", 1.129848e-1),
    ("kgf.m", "N.m", 9.80665),
    ("lb/h", "kg/h", 4.535924e-1),
    ("lb/min", "kg/h", 2.721554e1),
    ("ft3/min", "m3/h", 1.699011),
]


@pytest.mark.parametrize(("source", "target", "factor"), NIST)
def test_published_factors(source, target, factor):
    printed = 5e-7  # seven digits are printed, so the last one hides up to this share
    assert convert(1.0, source, target) == pytest.approx(factor, rel=printed)
    assert convert(factor, target, source) == pytest.approx(1.0, rel=printed)


def test_horsepower_as_the_contract_states_it():
    assert convert(1.0, "hp", "W") == pytest.approx(745.69987, abs=5e-6)
    assert convert(1.0, "PS", "W") == pytest.approx(735.49875, abs=1e-9)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (88.0, 31.0 + 1 / 9)]
)
def test_temperatures_have_offsets(fahrenheit, celsius):
    assert convert(fahrenheit, "degF", "degC") == pytest.approx(celsius, abs=1e-9)
    assert convert(celsius, "degC", "K") == pytest.approx(celsius + 273.15, abs=1e-9)


def test_engine_speed_is_counted_in_turns():
    assert convert(1.0, "1/s", "rpm") == pytest.approx(60.0)
    assert convert(2 * math.pi, "rad/s", "rpm") == pytest.approx(60.0)
    with pytest.raises(InputError, match="Hz measures frequency"):
        convert(1.0, "Hz", "rpm")


def test_decimals_survive_a_division_by_a_power_of_ten():
    assert convert(69_120.0, "W", "kW") == 69.12
    assert convert(150_400.0, "Pa", "kPa") == 150.4


def test_one_unit_under_two_names_changes_nothing():
    values = np.array([1.5, np.nan])
    assert convert(values, "Nm", "N.m") is values


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_every_unit_converts_within_its_dimension_and_back(unit):
    for other in UNITS:
        if other.dimension == unit.dimension:
            there = convert(np.array([3.0, 70.0]), unit.name, other.name)
            back = convert(there, other.name, unit.name)
            np.testing.assert_allclose(back, [3.0, 70.0], rtol=1e-9)


def test_no_spelling_means_two_units():
    meant: dict[str, str] = {}
    for unit in UNITS:
        for spelling in (unit.name, *unit.spellings):
            assert find_unit(spelling) == unit.name, spelling
            assert meant.setdefault(spelling.lower(), unit.name) == unit.name


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("N·m", "N.m"),
        ("N*m", "N.m"),
        ("NM", "N.m"),
        ("ft·lbf", "lbf.ft"),
        ("LB-FT", "lbf.ft"),
        ("U/min", "rpm"),
        ("tr/min", "rpm"),
        ("min^-1", "rpm"),
        ("°C", "degC"),
        ("° F", "degF"),
        ("cv", "PS"),
        ("BHP", "hp"),
        ("mbar", "mbar"),
        ("\u03bcs", "us"),
        ("sec.", "s"),
        ("-", "1"),
    ],
)
def test_spellings_of_the_trade(spelling, name):
    assert find_unit(spelling) == name


def test_unknown_units_are_refused_in_words():
    assert find_unit("furlong") is None
    assert unit_dimension("furlong") == ""
    with pytest.raises(InputError, match="'furlong' is not a unit"):
        find_scale("furlong", "kPa")


def test_torque_and_power_do_not_convert_into_each_other():
    with pytest.raises(InputError, match=r"N\.m measures torque, kW measures power"):
        convert(1.0, "N.m", "kW")


def test_power_is_torque_times_speed():
    # P[kW] = T[N.m] n[1/min] pi / 30000, from the definitions of watt and revolution
    assert power_kw(300.0, 5000.0) == pytest.approx(300.0 * 2 * math.pi * 5000.0 / 60.0 / 1000.0)
    np.testing.assert_allclose(torque_nm(power_kw(np.array([12.5]), 3000.0), 3000.0), [12.5])


def test_the_trades_5252():
    # P[hp] = T[lbf.ft] n[1/min] / 5252: common practice, no published source
    torque, speed = 250.0, 5252.0
    power = convert(power_kw(convert(torque, "lbf.ft", "N.m"), speed), "kW", "hp")
    assert power == pytest.approx(torque * speed / 5252.0, rel=3e-5)


@pytest.mark.parametrize(
    ("temperature", "pressure"),
    # IAPWS-95 by CoolProp 8.0.0, PropsSI(P, T, Q=0)
    [
        (0.01, 0.611654771069956),
        (10.0, 1.2281989307541448),
        (20.0, 2.3393181834056755),
        (30.0, 4.246970836903842),
        (40.0, 7.384938073826),
        (50.0, 12.351945837607573),
    ],
)
def test_saturation_pressure_against_iapws(temperature, pressure):
    assert saturation_pressure_kpa(temperature) == pytest.approx(pressure, rel=1e-4)


def test_humidity_from_vapour_pressure():
    assert humidity_pct(saturation_pressure_kpa(25.0), 25.0) == pytest.approx(100.0)
    # 1.60 kPa at 88 degF: dry pressure of 29.12 inHg is then 97.0116 kPa
    share = humidity_pct(1.60, convert(88.0, "degF", "degC")) / 100.0
    vapour = share * saturation_pressure_kpa(convert(88.0, "degF", "degC"))
    assert convert(29.12, "inHg", "kPa") - vapour == pytest.approx(97.0116, abs=1e-4)
