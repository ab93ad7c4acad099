from __future__ import annotations

import pytest

from dynostats.charts.theme import MINUS
from dynostats.report.numbers import (
    Quantity,
    decimal,
    digits_for,
    interval,
    percent,
    speeds,
    unit_choices,
)
from dynostats.words import count


@pytest.mark.parametrize(
    ("value", "digits", "signed", "text"),
    [
        (2.449, 1, False, "2.4"),
        (-2.449, 1, False, f"{MINUS}2.4"),
        (2.449, 1, True, "+2.4"),
        (-0.04, 1, True, "0.0"),
        (12345.6, 0, False, "12,346"),
    ],
)
def test_decimal(value, digits, signed, text):
    assert decimal(value, digits, signed=signed) == text


def test_a_bound_that_is_not_zero_never_reads_as_zero():
    assert digits_for(2.4, 0.04) == 2
    assert percent(0.04, digits_for(2.4, 0.04)) == "0.04%"


def test_values_too_small_for_three_decimals_keep_three():
    assert digits_for(0.00001, 1.0) == 3


def test_a_true_zero_and_an_unknown_need_no_decimals():
    assert digits_for(0.0, None) == 1


def test_interval_shows_signs_once_it_reaches_below_zero():
    assert interval(1.1, 2.9, 1) == "1.1 to 2.9%"
    assert interval(-0.6, 2.2, 1) == f"{MINUS}0.6 to +2.2%"


def test_speeds_and_counts_read_as_words():
    assert speeds(2600, 6800) == "2,600 to 6,800 rpm"
    assert speeds(3000, 3000) == "3,000 rpm"
    assert (count(1, "pull"), count(3, "pull")) == ("1 pull", "3 pulls")


# 1 hp (mechanical) = 745.69987 W; 1 lbf·ft = 1.355818 N·m; 1 psi = 6.894757 kPa; 1 inHg
# (conventional) = 3.386389 kPa; a difference of 1 K is one of 1.8 °F.
# Source: NIST SP 811, appendix B.8 and B.9.
@pytest.mark.parametrize(
    ("kind", "at", "name", "factor"),
    [
        ("kw", 1, "hp", 1 / 0.74569987),
        ("nm", 1, "lb·ft", 1 / 1.355818),
        ("kpa", 1, "psi", 1 / 6.894757),
        ("kpa", 2, "inHg", 1 / 3.386389),
        ("k", 1, "°F", 1.8),
    ],
)
def test_other_units(kind, at, name, factor):
    stored, *_ = unit_choices()[kind]
    assert (stored.factor, stored.more_digits) == (1.0, 0)
    unit = unit_choices()[kind][at]
    assert unit.name == name
    assert unit.factor == pytest.approx(factor, rel=1e-6)


def test_a_quantity_prints_its_unit_unless_bare():
    assert Quantity(value=2.41, kind="kw").text == "2.4 kW"
    assert Quantity(value=230.5, kind="nm", bare=True).text == "230.5"
    assert Quantity(value=2.41, kind="kw", signed=True).text == "+2.4 kW"
