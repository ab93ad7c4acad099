"""Names and units of the trade: what a header becomes, and what it must never become."""

from __future__ import annotations

import numpy as np
import pytest
from made_logs import ROWS, SPEED, TORQUE, messages, pull, read_columns, reading

from dynostats.errors import InputError
from dynostats.ingest import load_channel_table, read_log
from dynostats.ingest.labels import read_labels
from dynostats.units import convert, find_unit, unit_dimension

# The contract's list of stored channels and units.
CONTRACT = {
    "time": "s",
    "engine_speed": "rpm",
    "torque": "N.m",
    "power": "kW",
    "manifold_pressure": "kPa",
    "compressor_out_pressure": "kPa",
    "compressor_out_temperature": "degC",
    "charge_temperature": "degC",
    "cooler_medium_temperature": "degC",
    "lambda": "1",
    "lambda_1": "1",
    "lambda_16": "1",
    "exhaust_temperature_1": "degC",
    "exhaust_temperature_16": "degC",
    "fuel_flow": "kg/h",
    "fuel_pressure": "kPa",
    "air_flow": "kg/h",
    "oil_pressure": "kPa",
    "oil_temperature": "degC",
    "coolant_temperature": "degC",
    "throttle": "%",
    "ignition_advance": "deg",
    "ambient_pressure": "kPa",
    "ambient_temperature": "degC",
    "relative_humidity": "%",
}


@pytest.mark.parametrize(("channel", "unit"), CONTRACT.items())
def test_stored_names_name_themselves(channel, unit):
    (match,) = {match.channel: match for match in load_channel_table().find(channel)}.values()
    assert match.channel == channel
    assert match.spec is not None
    assert match.spec.unit == unit
    assert not match.needs_unit


def test_every_unit_of_the_table_is_one_that_converts():
    for spec in load_channel_table().channels.values():
        for unit in (spec.unit, *spec.likely, *([spec.assumed] if spec.assumed else [])):
            assert find_unit(unit) == unit, spec.name
            assert unit_dimension(unit) == unit_dimension(spec.unit), spec.name


def test_no_full_name_means_two_channels():
    for key, matches in load_channel_table().matches.items():
        plain = {match.channel for match in matches if not match.needs_unit}
        assert len(plain) <= 1, key


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("Engine Speed", "engine_speed"),
        ("ENGINE_SPEED", "engine_speed"),
        ("EngineSpeed", "engine_speed"),
        ("n [1/min]", "engine_speed"),
        ("Actual speed (rpm)", "engine_speed"),
        ("T acqua [°C]", "coolant_temperature"),
        ("Motordrehzahl", "engine_speed"),
        ("Régime moteur", "engine_speed"),
        ("Velocidad del motor", "engine_speed"),
        ("Giri motore", "engine_speed"),
        ("M [Nm]", "torque"),
        ("Md [Nm]", "torque"),
        ("Drehmoment/Nm", "torque"),
        ("Par motor (N·m)", "torque"),
        ("Coppia [kgm]", "torque"),
        ("P [PS]", "power"),
        ("Puissance (ch)", "power"),
        ("Potencia (CV)", "power"),
        ("Ladelufttemp. [°C]", "charge_temperature"),
        ("Ladeluft-Temperatur °C", "charge_temperature"),
        ("IAT (F)", "charge_temperature"),
        ("Öltemperatur [°C]", "oil_temperature"),
        ("Oeltemperatur [°C]", "oil_temperature"),
        ("Oltemperatur [°C]", "oil_temperature"),
        ("Température eau (°C)", "coolant_temperature"),
        ("Temperatura acqua °C", "coolant_temperature"),
        ("Abgastemp. Zyl. 4 [°C]", "exhaust_temperature_4"),
        ("EGT1 (C)", "exhaust_temperature_1"),
        ("EGT Cyl 03 [degC]", "exhaust_temperature_3"),
        ("cyl 2 EGT [degF]", "exhaust_temperature_2"),
        ("Lambda Bank 2", "lambda_2"),
        ("λ", "lambda"),
        ("Zündwinkel [°KW]", "ignition_advance"),
        ("TPS_pct", "throttle"),
        ("Drosselklappe %", "throttle"),
        ("air_flow_kg_h", "air_flow"),
        ("Baro (inHg)", "ambient_pressure"),
        ("Luftdruck [hPa]", "ambient_pressure"),
        ("rel. Feuchte [%]", "relative_humidity"),
        ("relative humidity %", "relative_humidity"),
    ],
)
def test_names_of_the_trade(header, channel):
    found = {
        match.channel
        for way in read_labels(header)
        for match in load_channel_table().find(way.name)
        if match.spec
        and (not way.unit.text or unit_dimension(way.unit.unit) == unit_dimension(match.spec.unit))
    }
    assert channel in found


@pytest.mark.parametrize(
    "header",
    [
        "Torque corrected [Nm]",
        "Torque [Nm] corr",
        "Torque request [Nm]",
        "Torque [V]",
        "Torque SAE [Nm]",
        "Speed [km/h]",
        "Gear",
        "Air temp [°C]",
        "EGT 17 [degC]",
        "MAF [V]",
        "Power [%]",
        "Fuel flow [L/h]",
        "Timing [ms]",
    ],
)
def test_names_that_only_look_like_it(header):
    log = read_columns(pull(**{header: np.full(ROWS, 1.5)}))
    found = next(one for one in log.channels if one.source == header)
    assert found.channel not in CONTRACT
    assert not found.channel.startswith("exhaust_temperature_1")
    assert log.samples["torque"][0] == pytest.approx(TORQUE[0])


def test_a_known_name_with_a_unit_of_another_kind_is_told():
    log = read_columns(pull(**{"Throttle [V]": np.linspace(0.5, 4.5, ROWS)}))
    assert "throttle" not in log.samples.columns
    assert "throttle_column_4" in log.samples.columns
    assert "V measures voltage" in messages(log, "unit_mismatch")[0]


def test_unknown_channels_keep_name_unit_and_values():
    log = read_columns(pull(**{"Wastegate duty (rear) [%]": np.arange(ROWS) * 1.0}))
    found = reading(log, "wastegate_duty_rear")
    assert (found.known, found.unit, found.source_unit) == (False, "%", "%")
    assert log.samples["wastegate_duty_rear"].to_list() == list(range(ROWS))


def test_unknown_channels_of_one_name_stay_apart():
    data = b"RPM;Torque [Nm];x;x\n2000;300;1;2\n2500;310;3;4\n"
    log = read_log(data, name="run.csv")
    assert log.samples.columns == ["engine_speed", "torque", "x", "x_column_4", "power"]


def test_every_column_says_how_it_was_read():
    log = read_columns(pull(**{"MAP [psi abs]": np.full(ROWS, 20.0), "Foo": np.arange(ROWS)}))
    assert [one.channel for one in log.channels] == log.samples.columns
    assert all(one.how for one in log.channels)
    assert "unit stated as 'psi abs'" in reading(log, "manifold_pressure").how
    assert "torque times speed" in reading(log, "power").how


def test_power_and_torque_come_from_each_other():
    log = read_columns({"RPM": SPEED, "Power [kW]": TORQUE * SPEED * np.pi / 30_000.0})
    np.testing.assert_allclose(log.samples["torque"], TORQUE, rtol=1e-12)
    assert reading(log, "torque").source == ""


def test_a_log_without_torque_and_power_is_kept_but_void():
    log = read_columns({"RPM": SPEED, "Lambda": np.full(ROWS, 0.9) + np.arange(ROWS) * 1e-3})
    assert [finding.severity for finding in log.findings if finding.check == "no_torque"] == [
        "void"
    ]


# --- the user's channel file --------------------------------------------------------------------


def test_the_channel_file_names_a_column(rules):
    table = rules('[engine_speed]\nnames = ["KW-Signal"]\n')
    log = read_columns({"KW-Signal": SPEED, "Torque [Nm]": TORQUE}, table=table)
    assert log.samples["engine_speed"][0] == 2000.0
    assert "channel file" in reading(log, "engine_speed").how


def test_the_channel_file_states_a_unit_over_the_header(rules):
    table = rules('[power]\nnames = ["P"]\nunit = "PS"\n')
    power = convert(TORQUE * SPEED * np.pi / 30_000.0, "kW", "PS")
    log = read_columns(pull(**{"P [hp]": power}), table=table)
    np.testing.assert_allclose(log.samples["power"], TORQUE * SPEED * np.pi / 30_000.0)
    assert messages(log, "power_torque_mismatch") == []


def test_the_channel_file_makes_new_channels(rules):
    table = rules('[intercooler_flow]\nnames = ["Q1"]\nunit = "L/min"\n')
    log = read_columns(pull(Q1=np.arange(ROWS) * 1.0), table=table)
    assert reading(log, "intercooler_flow").unit == "L/min"


def test_an_air_fuel_ratio_is_no_lambda_without_the_fuel(rules):
    columns = pull(AFR=np.linspace(12.0, 13.0, ROWS))
    log = read_columns(columns)
    assert "lambda" not in log.samples.columns
    assert log.samples["afr"][0] == 12.0
    assert "stoichiometric" in messages(log, "afr_not_lambda")[0]
    table = rules('[lambda]\nnames = ["AFR"]\nstoichiometric = 14.1\n')
    log = read_columns(columns, table=table)
    assert log.samples["lambda"][0] == pytest.approx(12.0 / 14.1)


def test_lambda_in_afr_units_becomes_afr():
    log = read_columns(pull(**{"Lambda [AFR]": np.linspace(12.0, 13.0, ROWS)}))
    assert "lambda" not in log.samples.columns
    assert log.samples["afr"][0] == 12.0


def test_afr_values_labelled_lambda_are_set_aside():
    log = read_columns(pull(Lambda=np.linspace(12.0, 13.0, ROWS)))
    assert "lambda" not in log.samples.columns
    assert "no lambda" in messages(log, "lambda_range")[0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[torque\n", "no valid TOML"),
        ('[torque]\nnome = ["x"]\n', "'nome' is not a setting"),
        ('[torque]\nnames = "x"\n', "names must be a list"),
        ('[torque]\nnames = ["x"]\nunit = "furlong"\n', "does not know"),
        ('[torque]\nnames = ["x"]\nunit = "kPa"\n', "kPa measures pressure"),
        ('[torque]\nnames = ["x"]\ncolumn = 0\n', "column is 0"),
        ('[torque]\nnames = ["x"]\nreference = "above"\n', "reference is 'above'"),
        ('[lambda]\nnames = ["x"]\nstoichiometric = 0\n', "stoichiometric is 0"),
        ('decimal = ";"\n', "decimal is ';'"),
        ("torque = 3\n", "stands outside a channel"),
    ],
)
def test_a_wrong_channel_file_is_refused_in_words(rules, text, words):
    with pytest.raises(InputError) as caught:
        rules(text)
    assert words in str(caught.value)
    assert "channels.toml" in caught.value.where


def test_a_missing_channel_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_channel_table(tmp_path / "none.toml")
