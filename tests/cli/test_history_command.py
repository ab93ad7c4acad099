"""`history` on a warehouse whose studies are known, and on one that has none."""

from __future__ import annotations

import re

import duckdb
import polars as pl
import pytest

import dynostats as ds
from dynostats.errors import AnalysisError


@pytest.fixture
def told(own_warehouse):
    """The first comparison's warehouse, with what its setup was changed from said afterwards."""
    with ds.open_warehouse(own_warehouse) as warehouse:
        warehouse.amend("P8", "relative_to", "standard", why="test", who="test")
        warehouse.amend("P9", "changed", "Intake : shorter hose", why="test", who="test")
    return own_warehouse


def test_one_study_says_what_compare_says(run, told):
    answer = run("--warehouse", told, "history", "--json")
    assert answer.status == 0
    document = answer.json()
    (study,) = document["studies"]
    alone = run("compare", "--warehouse", told, "--baseline", "standard",
                "--candidate", "short-hose", "--json").json()  # fmt: skip
    assert study["effect_pct"] == pytest.approx(alone["overall"]["effect_pct"], rel=1e-12)
    assert study["verdict"] == alone["verdict"] == "gain"
    # The interval of the mean alone lies within the one that holds with the whole curve.
    assert alone["overall"]["low_pct"] < study["low_pct"] < study["effect_pct"]
    assert study["kind"] == "intake"
    assert study["p_adjusted"] == study["p_value"]
    assert document["kinds"][0]["effect_pct"] is None


def test_the_answer_is_readable_and_the_page_loads_nothing(run, told, tmp_path):
    page = tmp_path / "history.html"
    answer = run("--warehouse", told, "history", "--report", page)
    assert answer.status == 0
    assert "1 past study on 1 engine: 1 gain and 0 losses" in answer.out
    assert "short-hose against standard" in answer.out
    html = page.read_text(encoding="utf-8")
    assert html.lstrip().startswith("<!DOCTYPE html>")
    assert not re.search(r"(src|href)=[\"']?https?:", html)
    assert "short-hose against standard" in html
    assert "dynostats history" in html


def test_a_warehouse_without_studies_says_how_to_name_them(run, first_warehouse):
    answer = run("--warehouse", first_warehouse, "history", "--json")
    assert answer.status == 1
    assert "relative_to" in answer.json()["error"]["mend"]


def test_an_unknown_kind_lists_those_there_are(run, told):
    answer = run("--warehouse", told, "history", "--kind", "cooler")
    assert answer.status == 1
    assert "'intake'" in answer.err


def test_a_setup_is_not_changed_from_itself_or_from_what_is_not_there(run, told):
    for name in ("short-hose", "long-hose"):
        answer = run("--warehouse", told, "amend", "P8", f"relative_to={name}", "--why", "test")
        assert answer.status == 1
        assert f"'{name}' cannot be what 'short-hose' was changed from" in answer.err


def test_saying_the_same_again_changes_nothing(run, told):
    answer = run("--warehouse", told, "amend", "P8", "relative_to=standard", "--why", "again")
    assert answer.status == 1
    assert "already; nothing was changed" in answer.err


def test_what_was_said_of_a_setup_stands_in_the_history_of_corrections(told):
    with ds.open_warehouse(told) as warehouse:
        rows = warehouse.query("amendments").frame
    assert rows.select("setup", "field", "new_value").rows() == [
        ("short-hose", "relative_to", "standard"),
        ("short-hose", "changed", "Intake : shorter hose"),
    ]


def test_a_pull_left_out_long_after_is_told_beside_the_claim_it_carried(told):
    with ds.open_warehouse(told) as warehouse:
        for pull in ("P8", "P9"):
            warehouse.exclude(pull, why="clamp was loose", who="test")
    before = _history(told)
    # Neither is left: no candidate, no study.
    assert before is None
    with ds.open_warehouse(told) as warehouse:
        warehouse.include("P9", why="the first only", who="test")
    _age_corrections(told, days=30)
    found = _history(told)
    (study,) = found.studies.rows(named=True)
    assert (study["candidate_pulls"], study["then_verdict"]) == (1, "gain")
    assert study["since"] == ["P8 was left out since (clamp was loose)"]
    assert study["by_eye_pct"] == pytest.approx(3.0, abs=0.1)


def test_a_calibration_between_its_pulls_is_told_on_the_study(told):
    with ds.open_warehouse(told) as warehouse:
        (starts,) = warehouse.pulls().frame.select(pl.col("started").n_unique()).row(0)
        if starts < 2:
            for row in warehouse.pulls().frame.iter_rows(named=True):
                day = row["session"].removeprefix("may-")
                minute = 10 * row["order"]
                warehouse.amend(
                    row["pull"], "started", f"2025-05-{day}T09:{minute:02d}", why="log", who="test"
                )
        own = warehouse.pulls().frame.filter(session="may-16").sort("started")
        between = own["started"][1] + (own["started"][2] - own["started"][1]) / 2
        warehouse.event("calibration", "dead weights", at=between, who="test")
        alone = warehouse.compare(baseline="standard", candidate="short-hose")
    (study,) = _history(told).studies.rows(named=True)
    said = [w for w in alone.warnings if "both sides of the calibration" in w]
    assert said
    assert study["doubts"] == said


def _history(path):
    with ds.open_warehouse(path) as warehouse:
        try:
            return warehouse.history()
        except AnalysisError:
            return None


def _age_corrections(path, *, days):
    """Let corrections have been made so long after the pulls were stored."""
    with duckdb.connect(path) as connection:
        connection.execute(
            "update amendments set amended_at = amended_at + to_days($days)", {"days": days}
        )
