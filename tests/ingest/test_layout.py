"""Where things stand in a file: text columns, clocks, markers, trailers, cut ends, encodings."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest
from made_logs import messages

from dynostats.errors import InputError
from dynostats.ingest import load_channel_table, read_log

HEAD = "Time [s];RPM;Torque [Nm];Lambda [-]"
SAMPLES = [f"{row * 0.1:.2f};{2000 + 50 * row};{300 + row}.5;0.{870 + row}" for row in range(20)]


def read(*lines: str, end: str = "\n", **options):
    return read_log(("\n".join(lines) + end).encode("utf-8"), name="run.csv", **options)


def test_plain():
    log = read(HEAD, *SAMPLES)
    assert log.samples.shape == (20, 5)
    assert log.findings == ()
    assert (
        log.sha256
        == __import__("hashlib").sha256(("\n".join([HEAD, *SAMPLES]) + "\n").encode()).hexdigest()
    )


def test_units_row_above_the_names():
    log = read("s;1/min;Nm;-", "Time;RPM;Torque;Lambda", *SAMPLES)
    assert log.samples["torque"][0] == 300.5
    assert [one.source_unit for one in log.channels][:4] == ["s", "rpm", "N.m", "1"]


def test_header_in_quotes_over_two_lines():
    log = read('"Time\n[s]";"Engine speed\n[rpm]";"Torque\n[Nm]";Lambda', *SAMPLES)
    assert [one.source for one in log.channels][:2] == ["Time [s]", "Engine speed [rpm]"]
    assert log.samples.height == 20


def test_a_comment_sign_before_the_header():
    log = read(f"# {HEAD}", *SAMPLES)
    assert log.channels[0].channel == "time"


def test_an_inch_sign_is_no_quote():
    log = read('Pipe: 3" bore', HEAD, *SAMPLES)
    assert log.metadata == {"Pipe": '3" bore'}
    assert log.samples.height == 20


def test_text_columns_stay_in_the_file_and_are_told():
    log = read(HEAD + ";State", *(f"{line};ON" for line in SAMPLES))
    assert log.samples.shape == (20, 5)
    assert "'State' holds text ('ON')" in messages(log, "text_column")[0]


def test_a_text_column_in_front():
    log = read("State;" + HEAD, *(f"ON;{line}" for line in SAMPLES))
    assert log.samples.shape == (20, 5)


@pytest.mark.parametrize(
    "stamps",
    [
        [f"12:00:{57 + row * 0.1:05.2f}" for row in range(20)],
        [f"2025-03-14 23:59:{58 + row * 0.05:05.2f}" for row in range(20)],
    ],
)
def test_clock_times_become_seconds(stamps):
    lines = [
        f"{stamp};{line.split(';', 1)[1]}" for stamp, line in zip(stamps, SAMPLES, strict=True)
    ]
    log = read("Time;RPM;Torque [Nm];Lambda [-]", *lines)
    steps = np.diff(log.samples["time"].to_numpy())
    assert log.samples["time"][0] == 0.0
    np.testing.assert_allclose(steps, steps[0], atol=1e-6)


def test_a_clock_that_passes_midnight_goes_on():
    stamps = ["23:59:59.8", "23:59:59.9", "00:00:00.0", "00:00:00.1"]
    log = read("Time;RPM;Torque [Nm]", *(f"{stamp};2000;300" for stamp in stamps))
    np.testing.assert_allclose(log.samples["time"], [0.0, 0.1, 0.2, 0.3])


def test_markers_among_the_samples_are_no_samples():
    log = read(HEAD, *SAMPLES[:8], "MARK 1", *SAMPLES[8:12], "MARK 2;2400;309.5;0.9", *SAMPLES[12:])
    assert log.samples.height == 20
    lines = " ".join(messages(log, "odd_rows"))
    assert "line 10" in lines
    assert "line 15" in lines


def test_a_word_in_one_cell_is_a_missing_value():
    lines = [*SAMPLES[:5], "0.50;2250;305.5;fault", *SAMPLES[6:]]
    log = read(HEAD, *lines)
    assert log.samples["lambda"][5] is None
    assert log.samples["torque"][5] == 305.5
    assert messages(log, "missing_cells") == [
        "1 cell(s) hold no number and are missing: line 7 Lambda [-] 'fault'."
    ]


@pytest.mark.parametrize(
    "trailer",
    [
        ["", "Average;2475;310.0;0.88"],
        ["Min;2000;300.5;0.87", "Max;2950;319.5;0.889"],
        ["", ";2475;310.0;0.88"],
        ["Printed by A. Person; page 1"],
    ],
)
def test_summaries_at_the_end_are_no_samples(trailer):
    log = read(HEAD, *SAMPLES, *trailer)
    assert log.samples.height == 20
    assert trailer[-1].split(";")[1].strip() in messages(log, "trailer")[0]


def test_a_repeated_header_joins_recordings():
    log = read(HEAD, *SAMPLES[:10], "", HEAD, *SAMPLES[10:])
    assert log.samples.height == 20
    assert "line 13" in messages(log, "repeated_header")[0]


def test_another_table_is_told_and_left_out():
    log = read("Power;Torque;RPM", "80;310;2500", "", HEAD, *SAMPLES)
    assert log.samples.height == 20
    assert "Another table on line 1" in messages(log, "other_table")[0]


def test_a_cut_last_row_and_a_cut_last_number_are_dropped():
    cut_row = read(HEAD, *SAMPLES[:-1], "1.90;29", end="")
    cut_number = read(HEAD, *SAMPLES[:-1], "1.90;2950;319.5;0.8", end="")
    for log in (cut_row, cut_number):
        assert log.samples.height == 19
        assert "line 21" in messages(log, "truncated")[0]
    assert read(HEAD, *SAMPLES, end="").samples.height == 20


def test_few_ragged_rows_are_dropped_and_many_refused():
    log = read(HEAD, *SAMPLES[:5], "0.50;2250", *SAMPLES[6:])
    assert log.samples.height == 19
    assert "line 7" in messages(log, "ragged_rows")[0]
    ragged = [line if place % 3 else f"{line};7" for place, line in enumerate(SAMPLES)]
    with pytest.raises(InputError, match="7 of 20 rows do not have 4 cells"):
        read(HEAD, *ragged)


def test_decimal_commas_between_commas_are_refused():
    lines = [line.replace(".", ",").replace(";", ",") for line in SAMPLES]
    with pytest.raises(InputError, match="have 7 cells, but the header on line 1 names 4 columns"):
        read(HEAD.replace(";", ","), *lines)


def test_thousands_commas_between_commas_are_refused():
    lines = [f"{row},2,{100 + row},300.5" for row in range(20)]
    with pytest.raises(InputError, match="names 3 columns"):
        read("Time [s],RPM,Torque [Nm]", *lines)


def test_one_column_with_both_decimal_signs_is_refused():
    with pytest.raises(InputError, match="decimal points and decimal commas"):
        read(HEAD, *SAMPLES, "2.00;3000;320,5;0.890")


def test_columns_may_differ_in_their_decimal_sign():
    log = read("RPM;Torque [Nm];Lambda", *(f"{2000 + row * 9};30{row},5;0.9" for row in range(9)))
    assert log.samples["torque"][8] == 308.5
    assert log.samples["lambda"][8] == 0.9


def test_three_digits_behind_every_sign_are_told_by_the_engine():
    thousands = [
        f"{2 + row // 10}.{row % 10}25;310;{310 * (2025 + 100 * row) * np.pi / 3e4:.0f}"
        for row in range(20)
    ]
    log = read("RPM;Torque [Nm];Power [kW]", *thousands)
    assert log.samples["engine_speed"][0] == 2025.0
    decimals = [f"{2000 + row};{300 + row}.125" for row in range(20)]
    with pytest.raises(InputError, match="two ways"):
        read("RPM;Torque [Nm]", *decimals)


def test_the_user_may_state_the_decimal_sign(rules):
    decimals = [f"{2000 + row};{300 + row}.125" for row in range(20)]
    log = read("RPM;Torque [Nm]", *decimals, table=rules('decimal = "."\n'))
    assert log.samples["torque"][0] == 300.125


def test_no_header_is_refused():
    with pytest.raises(InputError, match="no line above it names the columns"):
        read(*SAMPLES)


def test_no_table_is_refused():
    with pytest.raises(InputError, match="no table of numbers"):
        read("Dear all,", "the run went well.", "Regards")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xd0\xcf\x11\xe0" + bytes(100), "old spreadsheet"),
        (b"\x1f\x8b\x08" + bytes(100), "compressed"),
        (b"%PDF-1.7\n", "a PDF"),
        (HEAD.encode() + b"\n\x81\x81", "not a text table"),
        (HEAD.encode("utf-16") + b"\x00\xd8\x00\xd8", "not a text table"),
    ],
)
def test_other_kinds_of_files_are_named(data, words):
    with pytest.raises(InputError, match=words):
        read_log(data, name="run.csv")


def test_files_cut_inside_a_character_are_read_up_to_it():
    text = "\n".join([HEAD, *SAMPLES, "# °"])
    for encoding in ("utf-8", "utf-16"):
        log = read_log(text.encode(encoding)[:-1], name="run.csv")
        assert log.samples.height == 20


def test_dos_end_of_file_sign():
    log = read_log(("\n".join([HEAD, *SAMPLES]) + "\n\x1a").encode(), name="run.csv")
    assert log.samples.height == 20
    assert log.findings == ()


# --- preamble -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("Engine: mule 3", "Engine", "mule 3"),
        ("Engine;mule 3;;", "Engine", "mule 3"),
        ("Engine:;mule 3", "Engine", "mule 3"),
        ("# Engine = mule 3", "Engine", "mule 3"),
        ("Barometer;98,6;kPa", "Barometer", "98,6 kPa"),
        ("16:05 began", "line 1", "16:05 began"),
        ("Report", "line 1", "Report"),
    ],
)
def test_preamble_lines(line, key, value):
    log = read(line, HEAD, *SAMPLES)
    assert log.metadata == {key: value}


def test_a_key_that_comes_twice_keeps_both():
    log = read("Note: a", "Note: b", HEAD, *SAMPLES)
    assert log.metadata == {"Note": "a", "Note (2)": "b"}


def test_a_known_header_still_reads_each_files_preamble():
    table = load_channel_table()
    for number in ("0147", "0148"):
        log = read(f"Test no.: {number}", HEAD, *SAMPLES, table=table)
        assert log.metadata == {"Test no.": number}


@pytest.mark.parametrize(
    ("lines", "started"),
    [
        (["Date: 14/03/2025 16:05"], datetime.fromisoformat("2025-03-14 16:05")),
        (["Datum;14.03.2025", "Uhrzeit;16:05:30"], datetime.fromisoformat("2025-03-14 16:05:30")),
        (["Date: 2025-03-04T16:05:00"], datetime.fromisoformat("2025-03-04 16:05")),
        (["Date: 03/04/2025"], None),
        (["Operator: A. Person"], None),
    ],
)
def test_dates(lines, started):
    assert read(*lines, HEAD, *SAMPLES).started == started


@pytest.mark.parametrize(
    ("lines", "pressure", "temperature", "humidity"),
    [
        (["Baro: 986 mbar", "Ambient temp: 25 °C", "Humidity: 40 %"], 98.6, 25.0, 40.0),
        (["Luftdruck: 98,6 kPa", "Raumtemperatur: 77 °F"], 98.6, 25.0, None),
        (["Barometer: 98.6"], 98.6, None, None),
        (["Barometer: 98,613"], 98.613, None, None),
        (["Baro: 1,013 mbar"], 101.3, None, None),
        (["Air temp;77;F"], None, 25.0, None),
        (["Baro: 700"], None, None, None),  # mbar or mmHg
        (["Baro: 29.12 kPa"], None, None, None),
        (["Cell pressure: 98.6 °C"], None, None, None),
    ],
)
def test_air_of_the_cell(lines, pressure, temperature, humidity):
    air = read(*lines, HEAD, *SAMPLES).ambient
    for found, expected in (
        (air.pressure_kpa, pressure),
        (air.temperature_c, temperature),
        (air.humidity_pct, humidity),
    ):
        assert found == (None if expected is None else pytest.approx(expected))


def test_air_without_a_unit_says_how_it_was_read():
    log = read("Barometer: 29.12", HEAD, *SAMPLES)
    assert log.ambient.pressure_kpa == pytest.approx(98.6116, abs=1e-4)
    assert messages(log, "unit_decided") == [
        "'Barometer: 29.12' states no unit and was read as inHg."
    ]


# --- rarer ways of writing a table ----------------------------------------------------------------


def test_columns_set_apart_by_blanks():
    wide = [HEAD.replace(";", "   "), *(line.replace(";", "   ") for line in SAMPLES)]
    narrow = ["time rpm torque_Nm lambda", *(line.replace(";", " ") for line in SAMPLES)]
    expected = read(HEAD, *SAMPLES).samples
    assert read(*wide).samples.equals(expected)
    assert read(*narrow).samples.equals(expected)


def test_names_with_blanks_between_single_blanks_are_refused():
    with pytest.raises(InputError, match="names 5 columns"):
        read("time Engine Speed torque_Nm lambda", *(line.replace(";", " ") for line in SAMPLES))


def test_units_behind_each_number():
    lines = [f"{line};{90 + place % 3}%;{20 + place},5 °C" for place, line in enumerate(SAMPLES)]
    log = read(HEAD + ";Throttle;Oil temp", *lines)
    assert log.samples["throttle"][:3].to_list() == [90.0, 91.0, 92.0]
    assert "'Oil temp' holds text ('20,5 °C')" in messages(log, "text_column")[0]


def test_a_preamble_longer_than_the_table():
    log = read(*(f"Key {place}: value" for place in range(900)), HEAD, *SAMPLES)
    assert log.samples.height == 20
    assert len(log.metadata) == 900
