"""Property: any bytes give a Log or an InputError with a reason, in bounded time."""

from __future__ import annotations

import io
import tempfile
import time
from functools import cache
from pathlib import Path

import asammdf
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from dynostats.errors import InputError
from dynostats.ingest import Log, load_channel_table, read_log

MESSY = Path(__file__).parent / "messy"
LIMIT_S = 60.0  # a guard against hanging, not a measure of speed
PIECES = [
    *"0123456789",
    *",;\t|.'\" +-eE:=#%()[]",
    *["\n", "\r\n", "\r", "\0", "\ufeff", "°", "µ", "\u0661", "²", "\u2028"],
    *["rpm", "RPM,Torque", "Time", "Nm", "[kPa abs]", "sep=;", "1,234", "1.234.567", "nan", "inf"],
    *["1e400", "#DIV/0!", "Min", "12:00:01", "2025-03-14", "0,1;2000;300\n", "0.1,2000,300\n"],
]


def read_in_time(data: bytes) -> Log | None:
    """Return the log, or None for a refusal; fails on anything else and on dawdling."""
    start = time.perf_counter()
    refusal: InputError | None = None
    log: Log | None = None
    try:
        log = read_log(data, name="x", table=load_channel_table())
    except InputError as error:
        refusal = error
    assert refusal is None or (refusal.what and refusal.where == "x")
    assert time.perf_counter() - start < LIMIT_S
    if log is not None:
        assert log.samples.height > 0
        assert set(log.samples.dtypes) == {pl.Float64}
        assert len(set(log.samples.columns)) == len(log.channels)
        assert log.samples["engine_speed"].is_not_null().any()
        assert all(column.drop_nulls().is_finite().all() for column in log.samples)
    return log


@settings(max_examples=300, deadline=None, derandomize=True)
@given(data=st.binary(max_size=4000))
def test_any_bytes(data):
    read_in_time(data)


@settings(max_examples=400, deadline=None, derandomize=True)
@given(pieces=st.lists(st.sampled_from(PIECES), max_size=200))
def test_text_made_of_what_logs_are_made_of(pieces):
    read_in_time("".join(pieces).encode("utf-8"))


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    body=st.lists(st.lists(st.sampled_from(PIECES), max_size=6).map("".join), max_size=30),
    header=st.sampled_from(["Time [s];RPM;Torque [Nm]", "rpm,power (hp)", "t\tn\tM\ns\t1/min\tNm"]),
)
def test_rubbish_below_a_good_header(body, header):
    read_in_time("\n".join([header, *body]).encode("utf-8"))


def workbook() -> bytes:
    book = Workbook()
    sheet = book.active
    sheet.append(["Time [s]", "RPM", "Torque [Nm]"])
    for row in range(20):
        sheet.append([row * 0.1, 2000 + row * 100, 300.5 + row])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def parquet() -> bytes:
    buffer = io.BytesIO()
    rows = np.arange(20.0)
    frame = pl.DataFrame({"time [s]": rows, "rpm": 2000 + 100 * rows, "torque [Nm]": 300 + rows})
    frame.write_parquet(buffer)
    return buffer.getvalue()


def measurement() -> bytes:
    stamps = np.arange(0.0, 2.0, 0.1)
    with asammdf.MDF() as file, tempfile.TemporaryDirectory() as folder:
        file.append(
            [
                asammdf.Signal(2000 + 1000 * stamps, stamps, name="RPM", unit="1/min"),
                asammdf.Signal(300 + stamps, stamps, name="Torque", unit="Nm"),
            ]
        )
        path = file.save(Path(folder) / "x.mf4")
        return Path(path).read_bytes()


@cache
def sources() -> list[bytes]:
    """Return good files of every kind, to be broken."""
    texts = sorted(path for path in MESSY.iterdir() if path.suffix in {".csv", ".txt"})
    return [*(path.read_bytes() for path in texts), workbook(), parquet()]


@st.composite
def broken(draw, choose):
    """Return a good file with a few bytes changed, a part cut out, or its end missing."""
    data = bytearray(draw(st.sampled_from(choose())))
    for _ in range(draw(st.integers(1, 6))):
        if not data:
            break
        place = draw(st.integers(0, len(data) - 1))
        match draw(st.sampled_from(["change", "insert", "cut", "end", "double"])):
            case "change":
                data[place] = draw(st.integers(0, 255))
            case "insert":
                data[place:place] = draw(st.binary(min_size=1, max_size=8))
            case "cut":
                del data[place : place + draw(st.integers(1, 200))]
            case "end":
                del data[place:]
            case _:
                data[place:place] = data[place : place + draw(st.integers(1, 200))]
    return bytes(data)


@settings(max_examples=400, deadline=None, derandomize=True)
@given(data=broken(sources))
def test_broken_files(data):
    read_in_time(data)


def test_broken_measurement_files():
    good = [measurement()]

    @settings(max_examples=60, deadline=None, derandomize=True)
    @given(data=broken(lambda: good))
    def check(data):
        read_in_time(data)

    check()


@pytest.mark.parametrize(
    "data",
    [
        b"1" * 3_000_000,
        b"," * 2_000_000,
        b'"' * 1_000_000,
        b"\n" * 1_000_000,
        b"RPM,Torque [Nm]\n" + b"1," * 1_000_000,
        b"RPM;Torque [Nm]\n" + b"1.234" * 400_000 + b";1\n" * 3,
        b"((((((((((" * 100_000 + b",RPM\n1,2\n3,4\n",
        b"a [" * 300_000 + b",RPM\n1,2\n3,4\n",
        b"Note: " + b"x " * 1_000_000 + b"\nRPM,Torque [Nm]\n2000,300\n2100,301\n",
        b"RPM,Torque [Nm]\n" + b"2000,'1 1 1 1 1 1 1 1 1 1 1 1 1\n" * 20_000,
    ],
    ids=lambda data: data[:12].decode(),
)
def test_huge_and_pathological_lines_end_in_time(data):
    read_in_time(data)
