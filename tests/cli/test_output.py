from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from dynostats.cli.output import plain, report_error, to_json
from dynostats.errors import DynostatsError


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -math.inf, np.float64("nan"), np.float32("inf")]
)
def test_what_is_not_finite_is_null(value):
    assert plain(value) is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.int64(3), 3),
        (np.bool_(True), True),  # noqa: FBT003
        (np.float64(1.5), 1.5),
        ((1, 2), [1, 2]),
        (Path("a/b"), "a/b"),
        (datetime(2025, 3, 14, 16, 5, tzinfo=UTC), "2025-03-14T16:05:00+00:00"),
        ({1: {"x": math.nan}}, {"1": {"x": None}}),
    ],
)
def test_values_become_what_json_can_hold(value, expected):
    assert plain(value) == expected


def test_a_document_is_ascii_and_reads_back_equal():
    document = {"what": "Öltemperatur 90 °C", "low": -0.25}
    text = to_json(document)
    assert text.isascii()
    assert json.loads(text) == document


def test_an_error_has_its_three_parts_on_both_streams(capsys):
    error = DynostatsError("no engine-speed column", where="run7.csv", mend="Name it.")
    report_error(error, as_json=True)
    said = capsys.readouterr()
    assert said.err == "Error: run7.csv: no engine-speed column\n  Name it.\n"
    assert json.loads(said.out) == {
        "error": {"what": "no engine-speed column", "where": "run7.csv", "mend": "Name it."}
    }


def test_without_json_an_error_leaves_standard_output_empty(capsys):
    report_error(DynostatsError("wrong"), as_json=False)
    assert capsys.readouterr().out == ""


def test_files_refused_for_one_reason_are_named_together(run, tmp_path):
    """A folder whose sheet has another name: one message for its logs, one for the sheet."""
    folder = tmp_path / "pulls"
    folder.mkdir()
    for number in range(1, 6):
        (folder / f"run{number}.csv").write_text("RPM,Torque (Nm)\n2000,200\n2100,210\n")
    (folder / "list.csv").write_text("file,engine,session,setup\nrun1.csv,E,S,a\n")
    ran = run("--warehouse", tmp_path / "new.duckdb", "ingest", folder)
    assert ran.status == 1
    assert "Refused run1.csv to run5.csv (5 of them): no row of a sheet" in ran.err
    assert ran.err.count("Give a sheet with --sheet") == 1
    assert "If this is the sheet, name it with --sheet" in ran.err


def test_labels_that_differ_in_spelling_only_are_told_of(run, first_files, tmp_path):
    sheet = tmp_path / "sheet.csv"
    said = (first_files / "sheet.csv").read_text("utf-8").replace("short-hose", "Short hose", 1)
    sheet.write_text(said, encoding="utf-8")
    shop = ("--warehouse", tmp_path / "new.duckdb")
    ran = run(*shop, "ingest", first_files, "--sheet", sheet)
    assert ran.status == 0
    assert "the setups 'Short hose' and 'short-hose' are kept apart" in ran.err
    assert "dynostats amend PULL setup=" in ran.err
    assert "kept apart" not in run(*shop, "ingest", first_files, "--sheet", sheet).err
