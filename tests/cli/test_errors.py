"""What a user sees when something is wrong: what, where, how to mend it, and never a traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

COMMAND = [sys.executable, "-m", "dynostats"]
READERS = [
    ("pulls",),
    ("compare", "--baseline", "a", "--candidate", "b"),
    ("repeatability",),
    ("query", "pulls"),
    ("exclude", "P1", "--why", "x"),
    ("include", "P1", "--why", "x"),
    ("amend", "P1", "setup=a", "--why", "x"),
    ("reingest",),
]


@pytest.mark.parametrize("command", READERS, ids=lambda c: c[0])
def test_only_ingest_makes_a_warehouse(run, tmp_path, command):
    nowhere = tmp_path / "none.duckdb"
    ran = run("--warehouse", nowhere, *command, "--json")
    assert ran.status == 1
    assert set(ran.json()["error"]) == {"what", "where", "mend"}
    assert "none.duckdb" in ran.err
    assert "ingest" in ran.json()["error"]["mend"]
    assert not nowhere.exists()


def test_the_warehouse_can_be_named_in_three_ways(run, first_warehouse, monkeypatch, tmp_path):
    assert run("pulls", "--warehouse", first_warehouse).status == 0
    monkeypatch.setenv("DYNOSTATS_WAREHOUSE", str(first_warehouse))
    monkeypatch.chdir(tmp_path)
    ran = run("pulls", "--json")
    assert len(ran.json()["pulls"]) == 10
    monkeypatch.delenv("DYNOSTATS_WAREHOUSE")
    assert "dynostats.duckdb" in run("pulls").err


def test_the_option_goes_before_the_variable(run, first_warehouse, monkeypatch):
    monkeypatch.setenv("DYNOSTATS_WAREHOUSE", "/nowhere.duckdb")
    assert run("--warehouse", first_warehouse, "pulls").status == 0
    assert run("pulls", "--warehouse", first_warehouse).status == 0


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (("--baseline", "standrad", "--candidate", "short-hose"), "standard"),
        (("--baseline", "standard", "--candidate", "shorthose"), "short-hose"),
        (("--baseline", "standard", "--candidate", "short-hose", "--engine", "QB18T"), "QB-18T"),
    ],
)
def test_a_mistyped_name_gets_the_nearest(on, arguments, hint):
    ran = on("compare", *arguments, "--json")
    assert ran.status == 1
    assert f"id you mean '{hint}'?" in ran.err


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--margin", "0"), "margin"),
        (("--margin", "-1"), "margin"),
        (("--alpha", "1.5"), "alpha"),
        (("--band", "100:200"), "band"),
        (("--band", "6000:3000"), "band"),
        (("--correction", "nearly"), "correction"),
    ],
)
def test_a_setting_out_of_range_is_refused(on, arguments, word):
    ran = on("compare", "--baseline", "standard", "--candidate", "short-hose", *arguments, "--json")
    assert ran.status == 1
    assert word in ran.json()["error"]["what"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("compare",),
        ("compare", "--baseline", "a"),
        ("compare", "--baseline", "a", "--candidate", "b", "--band", "3000"),
        ("compare", "--baseline", "a", "--candidate", "b", "--band", "low:high"),
        ("compare", "--baseline", "a", "--candidate", "b", "--margin", "much"),
        ("compare", "--baseline", "a", "--candidate", "b", "--quantity", "noise"),
        ("ingest",),
        ("amend", "P1", "setup", "--why", "x"),
        ("query", "pulls", "--sql", "select 1"),
        ("query", "pulls", "--param", "engine"),
        ("pulls", "--nonsense"),
        ("nonsense",),
    ],
    ids=" ".join,
)
def test_wrong_usage(on, arguments):
    ran = on(*arguments)
    assert ran.status == 2
    assert ran.out == ""
    assert "Error" in ran.err


def test_wrong_usage_is_an_error_in_json_too(on):
    ran = on("compare", "--baseline", "standard", "--json")
    assert ran.status == 2
    assert "--candidate" in ran.json()["error"]["what"]


def test_a_mistyped_command_or_option_gets_the_nearest(on):
    assert "'compare'" in on("comapre").err
    assert "--baseline" in on("compare", "--basline", "a").err


def test_two_engines_with_both_setups_are_named(run, first_files, tmp_path):
    shop = tmp_path / "two.duckdb"
    run("--warehouse", shop, "ingest", first_files)
    second = tmp_path / "second"
    second.mkdir()
    sheet = (first_files / "sheet.csv").read_text("utf-8").replace("QB-18T", "QB-99")
    (second / "sheet.csv").write_text(sheet, encoding="utf-8")
    for log in first_files.glob("may-*.csv"):
        text = log.read_text("utf-8").replace("0.00,2500", "0.01,2500")
        (second / log.name).write_text(text, encoding="utf-8")
    assert run("--warehouse", shop, "ingest", second).status == 0
    ran = run(
        *("--warehouse", shop, "compare", "--baseline", "standard"),
        *("--candidate", "short-hose", "--json"),
    )
    assert ran.status == 1
    assert "QB-18T" in ran.err
    assert "QB-99" in ran.err
    assert "--engine" in ran.json()["error"]["mend"]


def test_an_unexpected_fault_is_a_short_message(run, first_warehouse, monkeypatch):
    def fail(*_, **__):
        raise ZeroDivisionError("seven")

    monkeypatch.setattr("dynostats.api.open_warehouse", fail)
    ran = run("--warehouse", first_warehouse, "pulls", "--json")
    assert ran.status == 1
    assert "ZeroDivisionError" in ran.json()["error"]["what"]
    assert "Traceback" not in ran.err
    assert "Traceback" in run("--debug", "pulls").err
    assert "Traceback" in run("pulls", "--debug").err


def test_a_file_that_is_no_warehouse(run, tmp_path):
    (tmp_path / "notes.duckdb").write_text("not a database" * 1000)
    ran = run("--warehouse", tmp_path / "notes.duckdb", "pulls", "--json")
    assert ran.status == 1
    assert "not a warehouse" in ran.json()["error"]["what"]


def test_a_reader_that_goes_away_is_no_fault(first_warehouse):
    sql = "select range as n from range(20000)"
    command = [*COMMAND, "--warehouse", str(first_warehouse), "query", "--sql", sql, "--json"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        said = process.stderr.read()
        process.wait(timeout=60)
    assert "Traceback" not in said
    assert "BrokenPipe" not in said


def test_control_c_stops_without_a_traceback(tmp_path):
    # The command waits for a warehouse that another process holds, so it is surely running.
    shop = tmp_path / "held.duckdb"
    hold = f"""
import time
from pathlib import Path
from dynostats.warehouse import open_store
store = open_store(Path({str(shop)!r}), write=True)
print("held", flush=True)
time.sleep(60)
"""
    holder = subprocess.Popen([sys.executable, "-c", hold], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline() == "held\n"
        waiting = subprocess.Popen(
            [*COMMAND, "--warehouse", str(shop), "pulls"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert "waiting" in waiting.stderr.readline()
        time.sleep(0.3)
        waiting.send_signal(signal.SIGINT)
        out, said = waiting.communicate(timeout=20)
    finally:
        holder.kill()
        holder.communicate()
    assert waiting.returncode == 130
    assert out == ""
    assert said.strip() == "Stopped."


def test_no_colour_into_a_pipe(first_warehouse):
    command = [*COMMAND, "--warehouse", str(first_warehouse), "repeatability"]
    ran = subprocess.run(
        command, capture_output=True, check=True, env=os.environ | {"TERM": "xterm"}
    )
    assert b"\x1b[" not in ran.stdout
