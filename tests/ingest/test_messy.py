"""Every file of messy/ gives the table, or the clear refusal, that its README states."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from dynostats.errors import InputError
from dynostats.ingest import Ambient, Log, load_channel_table, read_log

MESSY = Path(__file__).parent / "messy"
TRUTH = json.loads((MESSY / "truth.json").read_text(encoding="utf-8"))
STORED = {
    "time_s": "time",
    "rpm": "engine_speed",
    "torque_Nm": "torque",
    "power_kW": "power",
    "map_kPa_abs": "manifold_pressure",
    "charge_C": "charge_temperature",
    "lambda": "lambda",
}
REFUSED = {
    "06_duplicate_columns.csv": ("torque in columns 3 and 4", "power in columns 5 and 6", "+3.1 %"),
    "07_missing_rpm.csv": (
        "no engine-speed column",
        "Time [s], Torque [Nm], Power [kW], MAP [kPa abs]",
        "--channels",
    ),
    "15a_empty.csv": ("empty (0 bytes)",),
    "15b_header_only.csv": ("header on line 1 has no data rows",),
    "16_binary_garbage.csv": ("not a text table",),
}


def read(name: str, **options) -> Log:
    return read_log((MESSY / name).read_bytes(), name=name, **options)


def checks(log: Log) -> list[str]:
    return [finding.check for finding in log.findings]


def message(log: Log, check: str) -> str:
    return next(finding.message for finding in log.findings if finding.check == check)


@pytest.mark.parametrize("name", sorted(name for name in TRUTH if name not in REFUSED))
def test_file_is_read(name):
    log = read(name)
    truth = TRUTH[name]
    assert log.samples.height == truth["rows"]
    assert set(log.samples.dtypes) == {pl.Float64}
    assert [reading.channel for reading in log.channels] == log.samples.columns
    if "expected" in truth:
        expected = pl.read_csv(MESSY / truth["expected"])
        for column in expected.columns:
            found = log.samples[STORED[column]]
            assert found.null_count() == expected[column].null_count()
            np.testing.assert_allclose(
                found.fill_null(np.nan).to_numpy(),
                expected[column].cast(pl.Float64).fill_null(np.nan).to_numpy(),
                rtol=1e-12,
                err_msg=column,
            )


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_file_is_refused_with_the_reason(name):
    with pytest.raises(InputError) as caught:
        read(name)
    assert caught.value.where == name
    for words in REFUSED[name]:
        assert words in str(caught.value)


@pytest.mark.parametrize(
    "name",
    [
        "01_semicolon_decimal_comma.csv",
        "02a_thousands_comma_quoted.csv",
        "02b_thousands_point_decimal_comma.csv",
        "03_utf16le_bom_tab.txt",
        "04_latin1_degree_units_row.csv",
        "05_preamble_keyvalue.csv",
        "08_rpm_not_monotonic_blip.csv",
        "11a_map_gauge.csv",
        "11b_map_absolute.csv",
        "14a_newton_metre_and_PS.csv",
        "17_mixed_line_endings.csv",
    ],
)
def test_a_file_without_faults_gives_no_findings(name):
    assert read(name).findings == ()


def test_preamble_is_kept_as_text_and_its_air_is_understood():
    log = read("05_preamble_keyvalue.csv")
    truth = TRUTH["05_preamble_keyvalue.csv"]
    for key, value in truth["metadata"].items():
        assert log.metadata[key] == value
    assert log.started is not None
    assert (log.started.day, log.started.month, log.started.year) == (14, 3, 2025)
    air = truth["ambient"]
    assert log.ambient.temperature_c == pytest.approx(air["dry_bulb_C"], abs=1e-4)
    assert log.ambient.pressure_kpa == pytest.approx(air["barometer_kPa"], abs=1e-4)


def test_rows_stay_in_file_order_when_speed_goes_up_and_down():
    speed = read("08_rpm_not_monotonic_blip.csv").samples["engine_speed"]
    assert speed[:8].to_list() == [1500, 2600, 3900, 4400, 3600, 2500, 1800, 1700]


def test_clock_faults_are_told_with_their_rows():
    log = read("09_time_gaps.csv")
    truth = TRUTH["09_time_gaps.csv"]
    gaps = message(log, "clock_gap")
    assert gaps.startswith(f"{len(truth['gaps'])} gap(s)")
    for gap in truth["gaps"]:
        assert f"{gap['step_s']:g} s before row {gap['before_row']}" in gaps
    assert f"usual step is {truth['median_step_s']:g} s" in gaps
    first, second = truth["duplicate_stamp_rows"]
    assert f"rows {first}, {second}" in message(log, "clock_repeated")
    assert f"row {truth['backward_stamp_row']}" in message(log, "clock_backward")


def test_flat_lines_are_told_and_values_kept():
    log = read("10_sensor_flatline.csv")
    flat = [finding.message for finding in log.findings if finding.check == "flat_line"]
    truth = TRUTH["10_sensor_flatline.csv"]["flat"]
    assert len(flat) == len(truth)
    for line, expected in zip(flat, truth, strict=True):
        assert f"'{expected['channel']}'" in line
        rows = f"rows {expected['from_row']} to {expected['to_row']} at {expected['value']:g}"
        assert rows in line
    assert log.samples["manifold_pressure"][36] == 182.4


def test_gauge_and_absolute_files_give_the_same_table():
    gauge, absolute = read("11a_map_gauge.csv"), read("11b_map_absolute.csv")
    np.testing.assert_allclose(
        gauge.samples["manifold_pressure"], absolute.samples["manifold_pressure"], rtol=1e-12
    )


def test_unknown_reference_is_refused_for_that_channel_only():
    log = read("11c_map_reference_unknown.csv")
    assert "manifold_pressure" not in log.samples.columns
    assert log.samples["manifold_pressure_unreferenced"][0] == 51.8
    assert log.samples["torque"][0] == 330.0
    assert checks(log) == ["pressure_reference"]
    assert "gauge or absolute" in message(log, "pressure_reference")


def test_unknown_reference_stays_unknown_when_only_the_barometer_is_given():
    log = read("11c_map_reference_unknown.csv", ambient=Ambient(pressure_kpa=98.6))
    assert "manifold_pressure" not in log.samples.columns


def test_the_user_can_state_the_reference(tmp_path):
    rules = tmp_path / "channels.toml"
    rules.write_text(
        '[manifold_pressure]\nnames = ["Manifold Pressure"]\nreference = "gauge"\n',
        encoding="utf-8",
    )
    log = read(
        "11c_map_reference_unknown.csv",
        table=load_channel_table(rules),
        ambient=Ambient(pressure_kpa=98.6),
    )
    expected = pl.read_csv(MESSY / "expected" / "11.csv")
    np.testing.assert_allclose(
        log.samples["manifold_pressure"], expected["map_kPa_abs"], rtol=1e-12
    )


def test_cut_last_line_is_dropped_with_its_line_number():
    log = read("12_truncated_last_line.csv")
    assert "line 39" in message(log, "truncated")
    assert log.samples.filter(pl.col("torque") < 200).is_empty()


def test_summary_rows_are_no_samples():
    log = read("13_trailing_statistics.csv")
    text = message(log, "trailer")
    for word in ("Min", "Max", "Average", "Peak power 211.02 kW"):
        assert word in text


def test_metric_horsepower():
    log = read("14a_newton_metre_and_PS.csv")
    truth = TRUTH["14a_newton_metre_and_PS.csv"]
    assert log.samples["power"].max() == pytest.approx(truth["peak_power_kW"], abs=1e-3)


def test_metric_horsepower_labelled_hp_is_told_and_not_rescaled():
    log = read("14b_PS_labelled_hp.csv")
    text = message(log, "power_torque_mismatch")
    assert "+1.39 %" in text
    assert "PS but labelled hp" in text
    # 286.9 as labelled: mechanical horsepower of 0.745699872 kW
    assert log.samples["power"].max() == pytest.approx(286.9 * 0.745699872, rel=1e-9)


def test_spreadsheet_export_tells_what_it_lost():
    log = read("18_spreadsheet_bom_sep_line.csv")
    assert log.channels[0].source == "Time [s]"
    assert message(log, "missing_cells").startswith("3 cell(s)")
    assert "2 nameless empty" in message(log, "empty_column")
    assert "line 24" in message(log, "blank_rows")


def test_the_user_can_choose_between_double_columns(tmp_path):
    rules = tmp_path / "channels.toml"
    rules.write_text(
        '[torque]\nnames = ["Torque"]\ncolumn = 3\n[power]\nnames = ["Power"]\ncolumn = 5\n',
        encoding="utf-8",
    )
    log = read("06_duplicate_columns.csv", table=load_channel_table(rules))
    assert log.samples["torque"][0] == 330.0
    assert log.samples["power"][0] == pytest.approx(69.12)
    others = [column for column in log.samples.columns if "column" in column]
    assert others == ["torque_column_4", "power_column_6"]
    assert checks(log) == []


def test_every_file_is_read_the_same_way_twice():
    table = load_channel_table()
    for name in sorted(name for name in TRUTH if name not in REFUSED):
        first, second = read(name, table=table), read(name, table=table)
        assert first.samples.equals(second.samples), name
        assert (first.channels, first.findings, first.metadata) == (
            second.channels,
            second.findings,
            second.metadata,
        )
