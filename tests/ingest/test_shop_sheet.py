"""The sheet: one row a pull, in any dialect, refused with its line where it is wrong."""

from __future__ import annotations

from datetime import datetime

import pytest
from openpyxl import Workbook

from dynostats.errors import InputError
from dynostats.ingest import Ambient, read_sheet

HEAD = "file,engine,session,setup"


def write(folder, text: str, *, encoding: str = "utf-8", name: str = "sheet.csv"):
    path = folder / name
    path.write_text(text, encoding=encoding)
    return path


def test_all_columns(tmp_path):
    path = write(
        tmp_path,
        "file,engine,dyno,session,setup,order,started,ambient_pressure [kPa],"
        "ambient_temperature [degC],relative_humidity [%],notes,fuel\n"
        "run1.csv,mule 3,cell-1,am,stock,1,2025-03-14 16:05,98.6,25,40,warm,RON 98\n",
    )
    (row,) = read_sheet(path)
    assert (row.file, row.engine, row.dyno, row.session, row.setup) == (
        "run1.csv",
        "mule 3",
        "cell-1",
        "am",
        "stock",
    )
    assert (row.order, row.started, row.line) == (1, datetime.fromisoformat("2025-03-14 16:05"), 2)
    assert row.ambient == Ambient(pressure_kpa=98.6, temperature_c=25.0, humidity_pct=40.0)
    assert (row.notes, row.attributes) == ("warm", {"fuel": "RON 98"})


def test_only_the_required_columns(tmp_path):
    rows = read_sheet(write(tmp_path, f"{HEAD}\nrun1.csv,mule,am,A\n\nrun2.csv,mule,am,B\n"))
    assert [(row.file, row.line) for row in rows] == [("run1.csv", 2), ("run2.csv", 4)]
    assert rows[0].ambient == Ambient()
    assert (rows[0].dyno, rows[0].order, rows[0].started, rows[0].notes) == ("", None, None, "")


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_dialects(tmp_path, encoding, delimiter):
    lines = [
        "File;Engine;Session;Setup;Ambient Pressure [inHg];Notes",
        "run1.csv;Prüfling 3;vorm.;A;29,12;kühl",
        "run2.csv;Prüfling 3;vorm.;B;;",
    ]
    text = "\r\n".join(lines).replace(";", delimiter)
    rows = read_sheet(write(tmp_path, text, encoding=encoding))
    assert rows[0].engine == "Prüfling 3"
    assert rows[0].ambient.pressure_kpa == pytest.approx(98.6116, abs=1e-4)
    assert rows[1].ambient.pressure_kpa is None


def test_title_lines_above_the_header_and_quotes(tmp_path):
    text = f'Pulls of March\n\n{HEAD},notes\nrun1.csv,mule,am,A,"cold, then warm"\n'
    (row,) = read_sheet(write(tmp_path, text))
    assert (row.notes, row.line) == ("cold, then warm", 4)


def test_labels_stay_text(tmp_path):
    (row,) = read_sheet(write(tmp_path, f"{HEAD}\n0147.csv,3,014,1.10\n"))
    assert (row.engine, row.session, row.setup) == ("3", "014", "1.10")


@pytest.mark.parametrize(
    ("column", "cell", "field", "value"),
    [
        ("ambient_pressure [mbar]", "986", "pressure_kpa", 98.6),
        ("ambient_pressure (psi)", "14.3", "pressure_kpa", 98.595),
        ("ambient_pressure", "98.6", "pressure_kpa", 98.6),
        ("ambient_pressure [mbar]", '"1,013"', "pressure_kpa", 101.3),
        ("ambient_pressure [kPa]", '"98,613"', "pressure_kpa", 98.613),
        ("ambient_temperature [degF]", "77", "temperature_c", 25.0),
        ("relative_humidity", "55", "humidity_pct", 55.0),
    ],
)
def test_units_of_the_air(tmp_path, column, cell, field, value):
    (row,) = read_sheet(write(tmp_path, f"{HEAD},{column}\nrun1.csv,mule,am,A,{cell}\n"))
    assert getattr(row.ambient, field) == pytest.approx(value, abs=1e-3)


def test_a_day_over_twelve_tells_the_order_of_all_dates(tmp_path):
    rows = read_sheet(
        write(tmp_path, f"{HEAD},started\na,m,s,A,03/04/2025 10:00\nb,m,s,A,14/04/2025 10:00\n")
    )
    assert rows[0].started == datetime.fromisoformat("2025-04-03 10:00")


def test_workbook(tmp_path):
    book = Workbook()
    book.active.append(["file", "engine", "session", "setup", "order", "started", "fuel"])
    book.active.append(["run1.csv", "mule", 14, "A", 1, datetime.fromisoformat("2025-03-14"), 98])
    path = tmp_path / "sheet.xlsx"
    book.save(path)
    (row,) = read_sheet(path)
    assert (row.session, row.order, row.attributes) == ("14", 1, {"fuel": "98"})
    assert row.started == datetime.fromisoformat("2025-03-14")


@pytest.mark.parametrize(
    ("text", "words", "where"),
    [
        ("file,engine,session\na,m,s\n", "lacks the column setup", "sheet.csv"),
        ("name,engine\na,m\n", "lacks the column file", "sheet.csv"),
        (f"{HEAD},file\na,m,s,A,b\n", "two columns 'file'", "sheet.csv"),
        (f"{HEAD}\na,m,,A\n", "'session' is empty", "sheet.csv:2"),
        (f"{HEAD},order\na,m,s,A,first\n", "order is 'first'", "sheet.csv:2"),
        (f"{HEAD},started\na,m,s,A,03/04/2025\n", "can be read as two", "sheet.csv:2"),
        (f"{HEAD},ambient_pressure [kPa]\na,m,s,A,high\n", "is 'high'", "sheet.csv:2"),
        (f"{HEAD},ambient_pressure [degC]\na,m,s,A,25\n", "no unit for", "sheet.csv"),
        ("", "empty (0 bytes)", "sheet.csv"),
    ],
)
def test_a_wrong_sheet_is_refused_with_its_line(tmp_path, text, words, where):
    with pytest.raises(InputError) as caught:
        read_sheet(write(tmp_path, text))
    assert words in str(caught.value)
    assert caught.value.where == where


@pytest.mark.parametrize(
    ("column", "what", "line", "mend"),
    [
        ("ambient_pressure [kPa]: 99 29.12", "is '29.12' kPa,", 3, "possible in inHg."),
        ("ambient_pressure: 985 991", "is '985' kPa and 1 more,", 2, "possible in mbar."),
        ("ambient_pressure: 99 745", "50 to 110 kPa", 3, "possible in mbar or mmHg."),
        ("ambient_pressure [hPa]: 990 99", "is '99' hPa,", 3, "or mend the value"),
        ("ambient_temperature: 22 71.5", "is '71.5' degC,", 3, "possible in degF."),
        ("relative_humidity [%]: 44 140", "is '140' %,", 3, "State the unit"),
    ],
)
def test_impossible_air_names_its_line_and_its_likely_unit(tmp_path, column, what, line, mend):
    title, cells = column.split(": ")
    rows = "".join(f"a{n},m,s,A,{cell}\n" for n, cell in enumerate(cells.split()))
    with pytest.raises(InputError) as caught:
        read_sheet(write(tmp_path, f"{HEAD},{title}\n{rows}"))
    assert what in caught.value.what
    assert "which no test cell has" in caught.value.what
    assert caught.value.where == f"sheet.csv:{line}"
    assert mend in caught.value.mend


def test_a_missing_sheet_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_sheet(tmp_path / "none.csv")
