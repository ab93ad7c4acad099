"""Units as a setting: what a person reads changes, what is stored and what JSON says does not."""

from __future__ import annotations

import re

import pytest

from dynostats.units import say_in, shown_unit

COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")
WHY = ("attribute", "--baseline", "thin-core", "--candidate", "deep-core")

# NIST Special Publication 811 (2008), Appendix B.8, factors as printed (from memory).
NIST = [
    ("kW", "hp", 1000.0 / 745.6999),
    ("N.m", "lb·ft", 1.0 / 1.355818),
    ("kPa", "psi", 1.0 / 6.894757),
    ("kg/h", "lb/h", 1.0 / 0.4535924),
    ("g/kWh", "lb/hp·h", 0.7456999 / 453.5924),
]


@pytest.mark.parametrize(("stored", "name", "factor"), NIST)
def test_shown_units_follow_the_published_factors(stored, name, factor):
    shown = shown_unit(stored, "us")
    assert shown.name == name
    assert shown.of(250.0) == pytest.approx(250.0 * factor, rel=1e-6)


def test_temperatures_have_an_offset_and_their_differences_have_none():
    assert shown_unit("degC", "us").of(100.0) == pytest.approx(212.0)
    assert shown_unit("K", "us").of(100.0) == pytest.approx(180.0)
    assert shown_unit("K a pull", "us").name == "°F a pull"


def test_the_air_is_read_in_inches_of_mercury():
    # Standard atmosphere, 101.325 kPa = 29.92 inHg (NIST SP 811, from memory).
    shown = shown_unit("kPa", "us", barometer=True)
    assert (shown.name, round(shown.of(101.325), 2)) == ("inHg", 29.92)


@pytest.mark.parametrize("unit", ["kW", "N.m", "kPa", "degC", "K", "1", "%", "kg/kg"])
def test_si_shows_what_is_stored(unit):
    assert shown_unit(unit, "si").of(12.5) == 12.5


@pytest.mark.parametrize(
    ("said", "us"),
    [
        ("Oil pressure is 180 kPa at 4200 rpm.", "Oil pressure is 26.1 psi at 4200 rpm."),
        ("rows 103 to 257 at 41 degC.", "rows 103 to 257 at 106 °F."),
        ("moved by +5.0 K (-3.1 to +6.9 K)", "moved by +9.0 °F (-5.6 to +12.4 °F)"),
        ("each kg.m2 takes 10.0 N.m more", "each kg.m2 takes 7.4 lb·ft more"),
        ("at 98.6 kPa ambient", "at 29.12 inHg ambient"),
        ("10 accepted pulls, 3.5% and 2 K", "10 accepted pulls, 3.5% and 4 °F"),
        ("setup '90 kPa spring' at 100 kPa", "setup '90 kPa spring' at 14.5 psi"),
        ("`--ambient-pressure` takes kPa", "`--ambient-pressure` takes kPa"),
        ('dynostats amend P3 "note=90 kPa"', 'dynostats amend P3 "note=90 kPa"'),
        ("20 kW/l and 3 Kelvin and 7 kPas", "20 kW/l and 3 Kelvin and 7 kPas"),
        ("\u22121,250.5 kW", "\u22121,676.9 hp"),
    ],
)
def test_sentences_are_converted_and_names_and_commands_are_not(said, us):
    assert say_in(said, "us") == us
    assert say_in(said, "si") == said


def test_a_comparison_in_horsepower(on):
    stored, shown = on(*COMPARE), on("--units", "us", *COMPARE)
    kw = float(re.search(r"peak power of standard: ([\d.]+) kW", stored.out)[1])
    hp = float(re.search(r"peak power of standard: ([\d.]+) hp", shown.out)[1])
    assert hp == pytest.approx(kw / 0.7456999, abs=0.1)
    assert "kW" not in shown.out
    torque = on(*COMPARE, "--quantity", "torque", "--units", "us").out
    assert "lb·ft" in torque
    assert "N·m" not in torque


def test_the_environment_sets_it_and_the_option_wins(on, monkeypatch):
    monkeypatch.setenv("DYNOSTATS_UNITS", "us")
    assert " hp: mean over the band" in on(*COMPARE).out
    assert " kW: mean over the band" in on(*COMPARE, "--units", "si").out


def test_json_is_always_in_stored_units(on):
    assert on(*COMPARE, "--json").json() == on("--units", "us", *COMPARE, "--json").json()


def test_figures_beside_torque_are_converted(run, cooler_warehouse):
    shop = ("--warehouse", cooler_warehouse)
    stored, shown = (run(*shop, "--units", units, *WHY).out for units in ("si", "us"))
    row = r"pressure loss \[{}\] +([\d.]+)"
    kpa = float(re.search(row.format("kPa"), stored)[1])
    psi = float(re.search(row.format("psi"), shown)[1])
    assert psi == pytest.approx(kpa / 6.894757, abs=0.001)
    kelvin = float(re.search(r"rise in a pull \[K\] +([\d.]+)", stored)[1])
    step = float(re.search(r"rise in a pull \[°F\] +([\d.]+)", shown)[1])
    assert step == pytest.approx(1.8 * kelvin, abs=0.15)


def test_a_report_opens_in_them(on, tmp_path):
    for units, place in (("si", 0), ("us", 1)):  # the stored unit is the first of each menu
        page = tmp_path / f"{units}.html"
        assert on("--units", units, *COMPARE, "--report", page).status == 0
        menus = re.findall(r'<select data-kind="(\w+)" data-opened="(\d)"', page.read_text("utf-8"))
        assert {"kw", "nm"} <= {kind for kind, _ in menus}
        assert {opened for _, opened in menus} == {str(place)}


def test_other_units_are_wrong_usage(on):
    ran = on("--units", "cubits", "pulls")
    assert ran.status == 2
    assert "'si', 'us'" in ran.err
