"""XLSX, Parquet and MDF 4: the same pull as from text, and nothing invented on the way."""

from __future__ import annotations

import builtins
import io
import zipfile
from datetime import datetime, time, timedelta
from pathlib import Path

import asammdf
import numpy as np
import polars as pl
import pytest
from made_logs import ROWS, SPEED, TORQUE, messages
from openpyxl import Workbook

from dynostats.errors import InputError
from dynostats.ingest import read_log
from dynostats.ingest.measurement import sample_at

TIME = np.arange(ROWS) / 10
TORQUE = TORQUE.round(4)


# --- XLSX -----------------------------------------------------------------------------------------


def save(book: Workbook) -> bytes:
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def fill(sheet, header=("Time [s]", "RPM", "Torque [Nm]"), times=TIME) -> None:
    sheet.append(list(header))
    for stamp, speed, torque in zip(times, SPEED, TORQUE, strict=True):
        sheet.append([stamp, float(speed), float(torque)])


def test_workbook():
    book = Workbook()
    book.active.append(["Engine", "mule 3"])
    book.active.append(["Barometer", 98.6, "kPa"])
    book.active.append(["Date", datetime.fromisoformat("2025-03-14 16:05")])
    book.active.append([])
    fill(book.active)
    log = read_log(save(book), name="run.xlsx")
    np.testing.assert_array_equal(log.samples["torque"], TORQUE)
    np.testing.assert_array_equal(log.samples["time"], TIME)
    assert log.metadata["Engine"] == "mule 3"
    assert log.ambient.pressure_kpa == 98.6
    assert log.started == datetime.fromisoformat("2025-03-14 16:05")
    assert log.findings == ()


def test_workbook_with_several_worksheets():
    book = Workbook()
    book.active.title = "Fuel"
    book.active.append(["Litres", "Price"])
    book.active.append([20.5, 31.0])
    fill(book.create_sheet("Run"))
    log = read_log(save(book), name="run.xlsx")
    assert log.samples.height == ROWS
    assert messages(log, "other_worksheet") == ["Only worksheet 'Run' was read; 'Fuel' left out."]


@pytest.mark.parametrize(
    "stamps",
    [
        [time(12, 0, 1, 100_000 * row) for row in range(9)],
        [datetime.fromisoformat(f"2025-03-14 12:00:01.{row}00") for row in range(9)],
        [timedelta(seconds=row / 10) for row in range(9)],
    ],
    ids=["time", "datetime", "timedelta"],
)
def test_workbook_clocks(stamps):
    book = Workbook()
    book.active.append(["Time", "RPM", "Torque [Nm]"])
    for stamp, speed, torque in zip(stamps, SPEED, TORQUE, strict=False):
        book.active.append([stamp, speed, torque])
    log = read_log(save(book), name="run.xlsx")
    np.testing.assert_allclose(log.samples["time"], np.arange(9) * 0.1, atol=1e-6)


def test_workbook_percent_format_and_error_cells():
    book = Workbook()
    book.active.append(["RPM", "Torque [Nm]", "Throttle [%]"])
    for row in range(ROWS):
        book.active.append([SPEED[row], "#DIV/0!" if row == 3 else TORQUE[row], 0.99])
        book.active.cell(row + 2, 3).number_format = "0.0%"
    log = read_log(save(book), name="run.xlsx")
    assert log.samples["throttle"].to_list() == [99.0] * ROWS
    assert log.samples["torque"][3] is None
    assert "line 5 Torque [Nm] '#DIV/0!'" in messages(log, "missing_cells")[0]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"PK\x03\x04" + bytes(50), "cannot be read"),
        (save(Workbook()), "workbook is empty"),
    ],
)
def test_workbooks_without_a_log(data, words):
    with pytest.raises(InputError, match=words):
        read_log(data, name="run.xlsx")


def test_a_zip_of_something_else():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("run.csv", "RPM,Torque [Nm]\n2000,300\n")
    with pytest.raises(InputError, match="workbook cannot be read"):
        read_log(buffer.getvalue(), name="run.zip")


def test_a_workbook_that_unpacks_to_far_more_is_not_unpacked(monkeypatch):
    monkeypatch.setattr("dynostats.ingest.spreadsheet._MOST_UNPACKED_BYTES", 1_000_000)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", bytes(50_000_000))
    with pytest.raises(InputError, match=r"unpacks to 0\.1 GB"):
        read_log(buffer.getvalue(), name="run.xlsx")


# --- Parquet --------------------------------------------------------------------------------------


def parquet(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


def test_parquet():
    frame = pl.DataFrame(
        {
            "time [s]": TIME,
            "rpm": SPEED.astype(np.int32),
            "torque [lb-ft]": [None, *TORQUE[1:]],
            "state": ["on"] * ROWS,
        }
    )
    log = read_log(parquet(frame), name="run.parquet")
    assert log.samples.columns == ["time", "engine_speed", "torque", "power"]
    assert log.samples["torque"][0] is None
    np.testing.assert_allclose(log.samples["torque"][1:], TORQUE[1:] * 1.3558179483, rtol=1e-9)
    assert "'state' is String" in messages(log, "text_column")[0]


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize("kind", ["datetime", "duration", "time"])
def test_parquet_clocks(unit, kind):
    stamps = pl.Series((TIME * 1000).round().astype(np.int64)).cast(pl.Duration("ms"))
    series = {
        "datetime": (pl.lit(datetime.fromisoformat("2025-03-14 12:00")) + stamps).cast(
            pl.Datetime(unit)
        ),
        "duration": stamps.cast(pl.Duration(unit)),
        "time": (pl.lit(datetime.fromisoformat("2025-03-14 12:00")) + stamps).cast(pl.Time),
    }[kind]
    frame = pl.select(series.alias("time"), pl.Series("rpm", SPEED), pl.Series("M [Nm]", TORQUE))
    log = read_log(parquet(frame), name="run.parquet")
    np.testing.assert_allclose(log.samples["time"], TIME, atol=1e-9)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"PAR1" + bytes(80), "cannot be read"),
        (parquet(pl.DataFrame({"rpm": []}, schema={"rpm": pl.Float64})), "no rows of numbers"),
        (parquet(pl.DataFrame({"state": ["on"]})), "no rows of numbers"),
    ],
)
def test_parquet_files_without_a_log(data, words):
    with pytest.raises(InputError, match=words):
        read_log(data, name="run.parquet")


# --- MDF 4 ----------------------------------------------------------------------------------------


def test_without_the_library_the_error_says_how_to_get_it(monkeypatch):
    real = builtins.__import__

    def missing(name, *rest, **options):
        if name.startswith("asammdf"):
            raise ImportError(name)
        return real(name, *rest, **options)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(InputError, match=r"pip install 'dynostats\[mdf\]'"):
        read_log(b"MDF     4.10    " + bytes(100), name="run.mf4")


def measurement(groups, folder: Path) -> bytes:
    with asammdf.MDF() as file:
        for stamps, channels in groups:
            file.append(
                [
                    asammdf.Signal(
                        np.asarray(values), stamps, name=name, unit=unit, encoding="utf-8"
                    )
                    for name, unit, values in channels
                ]
            )
        file.header.start_time = datetime.fromisoformat("2025-03-14 16:05:00")
        return Path(file.save(folder / "run.mf4")).read_bytes()


def test_measurement_of_unequal_rates(tmp_path):
    fast, slow, single = np.arange(0.0, 3.0, 0.01), np.arange(0.205, 2.5, 0.1), np.array([1.0])
    data = measurement(
        [
            (slow, [("Lambda", "-", 0.8 + 0.1 * slow), ("Note", "", [b"x"] * len(slow))]),
            (fast, [("n_mot", "1/min", 2000 + 1000 * fast), ("Torque", "Nm", 300 + fast)]),
            (single, [("Oil temp", "degC", [95.0])]),
        ],
        tmp_path,
    )
    log = read_log(data, name="run.mf4")
    assert log.samples.height == len(fast)
    np.testing.assert_allclose(log.samples["time"], fast, atol=1e-12)
    inside = (fast >= slow[0]) & (fast <= slow[-1])
    mixture = log.samples["lambda"].to_numpy()
    np.testing.assert_allclose(mixture[inside], 0.8 + 0.1 * fast[inside], rtol=1e-12)
    assert np.isnan(mixture[~inside]).all()
    assert log.samples["oil_temperature"].drop_nulls().to_list() == [95.0]
    assert "Lambda, Oil temp" in messages(log, "resampled")[0]
    assert "Note" in messages(log, "text_column")[0]
    assert log.started == datetime.fromisoformat("2025-03-14 16:05:00")


def test_measurement_without_numbers(tmp_path):
    data = measurement([(np.array([0.0, 1.0]), [("Note", "", [b"x", b"y"])])], tmp_path)
    with pytest.raises(InputError, match="no channel of numbers"):
        read_log(data, name="run.mf4")


def test_nothing_is_invented_between_samples():
    stamps = np.array([0.0, 0.1, 0.2, 1.2, 1.3])
    values = np.array([0.0, 1.0, 2.0, 12.0, np.nan])
    moments = np.array([-0.1, 0.0, 0.05, 0.2, 0.7, 1.2, 1.25, 1.3, 1.4])
    nan = np.nan
    found = sample_at(stamps, values, moments, hold=False)
    np.testing.assert_allclose(found, [nan, 0.0, 0.5, 2.0, nan, 12.0, nan, nan, nan])
    held = sample_at(stamps, values, moments, hold=True)
    np.testing.assert_allclose(held, [nan, 0.0, 0.0, 2.0, nan, 12.0, 12.0, nan, nan])


def test_a_clock_that_steps_back_is_read_forward_only():
    stamps = np.array([0.0, 0.1, 0.05, 0.2])
    found = sample_at(stamps, np.array([0.0, 1.0, 99.0, 2.0]), np.array([0.05, 0.15]), hold=False)
    np.testing.assert_allclose(found, [0.5, 1.5])
