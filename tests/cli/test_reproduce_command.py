"""`reproduce`: a report made again from the warehouse as it stood when it was made."""

from __future__ import annotations

import json
import re
import time
from datetime import UTC, datetime

import pytest

import dynostats as ds

COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")


@pytest.fixture
def own(run, own_warehouse):
    return lambda *arguments: run("--warehouse", own_warehouse, *arguments)


@pytest.fixture
def report(own, tmp_path):
    path = tmp_path / "finding.html"
    assert own(*COMPARE, "--margin", "1", "--band", "3000:6000", "--report", path).status == 0
    return path


def test_a_report_is_reproduced_to_the_last_number(own, report):
    ran = own("reproduce", report)
    assert ran.status == 0
    assert ran.out.startswith("The same: ")
    answer = own("reproduce", report, "--json").json()
    assert answer["same"]
    assert answer["differences"] == answer["missing"] == []
    # 61 speeds of 10 numbers each stand in the curve alone.
    assert answer["numbers"] > 600


def test_corrections_and_pulls_since_do_not_count(own, report, tmp_path, first_files):
    before = own(*COMPARE, "--json").json()
    own("exclude", "P7", "--why", "coolant was cold")
    own("amend", "P2", "setup=other", "--why", "wrong line")
    own("amend", "P3", "ambient_pressure=97.0", "--why", "barometer misread")
    own("event", "add", "calibration", "dead weights", "--at", "2025-05-10")
    own("amend", "P1", "inertia [kg.m2]=0.2", "--why", "now known")
    more = tmp_path / "more"
    more.mkdir()
    lines = (first_files / "may-02_1.csv").read_text("utf-8").splitlines()
    scaled = [line.replace(",1", ",2", 1) for line in lines]
    (more / "june.csv").write_text("\n".join(scaled), "utf-8")
    (more / "sheet.csv").write_text(
        "file,engine,dyno,session,setup\njune.csv,QB-18T,cell-1,june,standard\n", "utf-8"
    )
    assert own("ingest", more).status == 0
    after = own(*COMPARE, "--json").json()
    assert after["overall"] != before["overall"]
    ran = own("reproduce", report)
    assert ran.status == 0, ran.err
    assert ran.out.startswith("The same: ")


def test_a_report_of_a_past_time_is_reproduced_as_of_that_time(own, tmp_path):
    before = own(*COMPARE, "--json").json()
    time.sleep(1.1)  # the option takes whole seconds
    moment = f"{datetime.now():%Y-%m-%dT%H:%M:%S}"  # noqa: DTZ005 - the shop's clock
    time.sleep(1.1)
    own("exclude", "P7", "--why", "coolant was cold")
    page = tmp_path / "past.html"
    past = own(*COMPARE, "--as-of", moment, "--report", page, "--json").json()
    assert past["overall"] == before["overall"]
    assert own(*COMPARE, "--json").json()["overall"] != before["overall"]
    assert "Warehouse as it stood on" in page.read_text("utf-8")
    assert own("reproduce", page).status == 0


def test_a_number_that_was_changed_on_the_page_is_named(own, report):
    page = report.read_text("utf-8")
    data = json.loads(re.search(r'id="result">(.*?)</script>', page).group(1))
    told = data["overall"]["effect_pct"]
    report.write_text(
        page.replace(f'"effect_pct":{told!r}', f'"effect_pct":{told + 1.0!r}'), "utf-8"
    )
    ran = own("reproduce", report, "--json")
    answer = ran.json()
    assert ran.status == 1
    assert not answer["same"]
    changed = {one["where"]: (one["filed"], one["now"]) for one in answer["differences"]}
    assert changed["overall.effect_pct"] == (pytest.approx(told + 1.0), pytest.approx(told))
    assert f"overall.effect_pct: the report says {told + 1.0}" in own("reproduce", report).err


def test_a_file_that_is_gone_is_named(own, report):
    page = report.read_text("utf-8")
    sha256 = re.search(r'"may-16_1.csv","([0-9a-f]{64})"', page).group(1)
    report.write_text(page.replace(sha256, "0" * 64), "utf-8")
    ran = own("reproduce", report)
    assert ran.status == 1
    assert "may-16_1.csv: the warehouse does not hold this file" in ran.err


@pytest.mark.parametrize("text", ["", "<html></html>", "\x00\xff"])
def test_what_is_no_report_is_refused(own, tmp_path, text):
    page = tmp_path / "page.html"
    page.write_bytes(text.encode("latin-1"))
    ran = own("reproduce", page, "--json")
    assert ran.status == 1
    assert "report" in ran.json()["error"]["mend"]
    assert "Traceback" not in ran.err


def test_the_answer_as_of_a_past_time(own, own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        now = warehouse.compare(baseline="standard", candidate="short-hose")
        moment = datetime.now(UTC)
        warehouse.exclude("P7", why="coolant was cold")
        changed = warehouse.compare(baseline="standard", candidate="short-hose")
        past = warehouse.compare(baseline="standard", candidate="short-hose", as_of=moment)
    assert changed.pulls.excluded == now.pulls.excluded + 1
    assert past.to_dict() == now.to_dict()
    nothing = own(*COMPARE, "--as-of", "2020-01-01", "--json")
    assert nothing.status == 1
    assert "no setup 'standard'" in nothing.json()["error"]["what"]
