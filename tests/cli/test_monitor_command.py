"""`dynostats monitor` and `dynostats event`: JSON, terminal, page, hooks, refusals."""

from __future__ import annotations

import re
from datetime import datetime

import pytest

import dynostats as ds

COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose", "--json")


@pytest.fixture
def own(run, own_warehouse):
    return lambda *arguments: run("--warehouse", own_warehouse, *arguments)


def test_monitor_answers_in_json(on):
    ran = on("monitor", "--json")
    answer = ran.json()
    assert ran.status == 0
    assert set(answer) >= {
        *("verdict", "changed", "answer", "dyno", "engine", "setup", "changes", "signals"),
        *("charts", "events", "warnings", "next", "method"),
    }
    assert answer["verdict"] == "too_few_sessions"
    assert (answer["dyno"], answer["engine"], answer["setup"]) == ("cell-1", "QB-18T", "standard")
    torque = answer["charts"][0]
    assert torque["channel"] == "torque"
    assert [point["session"] for point in torque["points"]] == ["may-02", "may-09", "may-16"]
    assert set(torque["points"][0]) >= {
        *("value", "centre", "low", "high", "moving_range", "ewma", "ewma_low", "ewma_high"),
        *("within_sd", "segment", "signal", "pulls", "date"),
    }
    assert "Warning: " in ran.err


def test_monitor_answers_in_the_terminal(on):
    said = on("monitor").out
    assert said.startswith("TOO FEW SESSIONS  standard of QB-18T on cell-1, 2500 to 6500 rpm")
    assert "Next: " in said
    assert "may-16" in said


def test_monitor_writes_a_page_that_stands_alone(on, tmp_path):
    page = tmp_path / "cell.html"
    ran = on("monitor", "--report", page)
    text = page.read_text("utf-8")
    assert str(page) in ran.err
    assert text.count("<svg") >= 4
    assert "Is cell-1 still the cell it was?" in text
    assert "<script" not in text
    assert not re.search(r"(src|href)=\"(https?:)?//", text)


def test_an_event_is_logged_listed_drawn_and_taken_back(own, tmp_path):
    added = own("event", "add", "calibration", "<dead weights>", "--at", "2025-05-12", "--json")
    assert added.json() == {"event": "E1", "kind": "calibration", "what": "<dead weights>"}
    (listed,) = own("event", "list", "--json").json()["events"]
    assert (listed["event"], listed["dyno"]) == ("E1", "cell-1")
    assert listed["happened_at"] == "2025-05-12T00:00:00"
    (logged,) = own("monitor", "--json").json()["events"]
    assert logged["what"] == "<dead weights>"
    own("monitor", "--report", tmp_path / "cell.html")
    page = (tmp_path / "cell.html").read_text("utf-8")
    assert '<th scope="row">E1</th><td>calibration</td>' in page
    assert "<dead weights>" not in page
    assert "&lt;dead weights&gt;" in page
    own("event", "withdraw", "E1", "--why", "wrong cell")
    assert own("monitor", "--json").json()["events"] == []
    assert own("event", "list", "--json").json()["events"][0]["withdrawn"] == "wrong cell"
    assert own("verify").status == 0


def test_a_calibration_splits_the_history_and_the_answers_say_so(own, first_files):
    # Sessions of May 2, 9 and 16; without start times a sheet's session has no date.
    for number, day in enumerate((2, 2, 2, 9, 9, 9, 16, 16, 16, 16), start=1):
        own(
            "amend", f"P{number}", f"started=2025-05-{day:02d} 10:{number:02d}", "--why", "log book"
        )
    assert not any("older than" in text for text in own(*COMPARE).json()["warnings"])
    own("event", "add", "calibration", "dead weights", "--at", "2025-05-12")
    (change,) = own("monitor", "--json").json()["changes"]
    assert (change["kind"], change["after_session"], change["before_session"]) == (
        *("calibration", "may-09"),
        "may-16",
    )
    told = [text for text in own(*COMPARE).json()["warnings"] if "older than" in text]
    assert len(told) == 1
    assert "the calibration E1 of 2025-05-12" in told[0]
    log = first_files / "may-02_1.csv"
    asked = ("envelope", "--reference", "standard", log, "--ambient-pressure", "99.2", "--json")
    assert any("5 of the 7 reference pulls" in text for text in own(*asked).json()["warnings"])
    told = own("repeatability", "--json").json()["warnings"]
    assert any("6 of the 10 pulls" in text and "E1" in text for text in told)


def test_setups_on_two_sides_of_a_calibration_are_not_compared(own):
    for number, day in enumerate((2, 2, 2, 9, 9, 9, 16, 23, 23, 16), start=1):
        fields = (f"session=may-{day:02d}", f"started=2025-05-{day:02d} 10:{number:02d}")
        for field in fields:
            own("amend", f"P{number}", field, "--why", "log book")
    apart = own(*COMPARE).json()
    assert "the cell changed" not in apart["why"]
    own("event", "add", "calibration", "dead weights", "--at", "2025-05-20")
    found = own(*COMPARE).json()
    assert found["verdict"] == "undecided"
    assert found["overall"]["low_pct"] is None
    assert "the cell changed between all pulls of the one setup" in found["why"]
    assert any("The baseline was pulled before the calibration E1" in w for w in found["warnings"])
    assert found["overall"]["effect_pct"] == pytest.approx(apart["overall"]["effect_pct"])
    split = own("attribute", *COMPARE[1:])
    assert split.status == 1
    assert "not of the setups alone" in split.json()["error"]["what"]


def test_the_python_functions_are_the_commands(own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        when = datetime(2025, 5, 12, 8)  # noqa: DTZ001 - the shop's clock
        assert warehouse.event("service", "filters", at=when, who="Ada") == "E1"
        assert warehouse.events().frame["who"].to_list() == ["Ada"]
        assert warehouse.event("other", "new door") == "E2"
        found = warehouse.monitor(setup="standard", channels=["manifold_pressure"])
    assert [chart.channel for chart in found.charts] == ["torque", "manifold_pressure"]
    assert found.frame["channel"].n_unique() == 2
    assert found.chart("manifold_pressure").to_dict()["layer"]
    assert found._repr_html_().startswith("<p>")


@pytest.mark.parametrize(
    ("arguments", "refused"),
    [
        (("monitor", "--dyno", "cell-9"), (1, "no dyno 'cell-9'")),
        (("monitor", "--setup", "standart"), (1, "no setup 'standart'")),
        (("monitor", "--channel", "oil_pressure"), (1, "has oil_pressure")),
        (("monitor", "--channel", "flux"), (1, "no curves of flux")),
        (("event", "add", "party", "cake"), (2, "party")),
        (("event", "add", "service", " "), (1, "must say what was done")),
        (("event", "add", "service", "oil", "--at", "yesterday"), (2, "yesterday")),
        (("event", "add", "service", "oil", "--dyno", "cell-9"), (1, "no dyno 'cell-9'")),
        (("event", "withdraw", "E7", "--why", "x"), (1, "no such event")),
        (("event", "withdraw", "E7"), (2, "--why")),
    ],
)
def test_what_is_refused(own, arguments, refused):
    status, what = refused
    ran = own(*arguments, "--json")
    assert ran.status == status
    assert what in ran.json()["error"]["what"]
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    "command", [("monitor",), ("event", "list"), ("event", "add", "other", "x")]
)
def test_without_a_warehouse_nothing_is_made(run, tmp_path, command):
    ran = run("--warehouse", tmp_path / "none.duckdb", *command, "--json")
    assert ran.status == 1
    assert "there is no warehouse here" in ran.json()["error"]["what"]
    assert not (tmp_path / "none.duckdb").exists()


def test_weather_is_taken_out_when_asked(own):
    # A day of 90 kPa: as logged it lies where the others do, corrected it lies some 10% higher.
    for pull in ("P4", "P5", "P6"):
        own("amend", pull, "ambient_pressure=90", "--why", "another barometer")
    plain = own("monitor", "--json").json()
    assert plain["method"]["ambient_correction"] == "none"
    corrected = own("monitor", "--correction", "iso_1585", "--json").json()
    assert corrected["method"]["ambient_correction"] == "iso_1585"
    before, after = (
        {point["session"]: point["value"] for point in answer["charts"][0]["points"]}
        for answer in (plain, corrected)
    )
    moved = {session: after[session] - after["may-16"] for session in after}
    assert abs(before["may-09"] - before["may-16"]) < 1.5
    assert 8.0 < moved["may-09"] - (before["may-09"] - before["may-16"]) < 14.0
    assert abs(moved["may-02"] - (before["may-02"] - before["may-16"])) < 1.0
    refused = own("monitor", "--correction", "iso_1558", "--json")
    assert refused.status == 1
    assert "Did you mean 'iso_1585'" in refused.json()["error"]["mend"]
