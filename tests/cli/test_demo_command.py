"""The whole job on the simulated shop."""

from __future__ import annotations

import json

import polars as pl
import pytest

import dynostats as ds
from dynostats.cli.demo import print_demo
from dynostats.cli.output import to_json


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return ds.demo(tmp_path_factory.mktemp("demo"))


def test_everything_lies_in_the_folder(made):
    assert made.warehouse.is_file()
    assert (made.files / "sheet.csv").is_file()
    page = made.report.read_text("utf-8")
    assert "outlet-70" in page
    assert "an invented shop" in page


def test_the_answer_is_the_honest_one(made):
    assert made.finding.verdict == "gain"
    assert made.finding.pulls.excluded == 1


def test_the_truth_lies_in_the_interval_and_in_the_band(made):
    assert made.holds_truth()
    both = made.finding.curve.join(
        made.truth.curve.select("rpm", true_pct="effect_pct"), on="rpm", how="inner"
    )
    assert both.height == made.finding.curve.height
    assert both.select(
        pl.col("true_pct").is_between(pl.col("low_pct"), pl.col("high_pct")).all()
    ).item()


def test_repeating_it_stores_nothing_twice_and_says_the_same(run, made):
    ran = run("demo", "--out", made.folder, "--json")
    again = ran.json()
    assert ran.status == 0
    assert len(made.ingested.stored) == 53
    assert again["ingest"]["stored"] == []
    assert again["ingest"]["refused"] == []
    assert again["compare"] == json.loads(to_json(made.finding.to_dict()))
    assert again["report"] == str(made.report)
    assert again["truth"]["inside_interval"] is True


def test_the_operators_note_is_the_reason_for_the_excluded_pull(made):
    pulls = ds.open_warehouse(made.warehouse).pulls().frame
    (why,) = pulls.filter(state="excluded")["why"]
    assert "boost hose" in why


def test_the_terminal_says_where_things_are_and_what_to_try(made, capsys):
    print_demo(made)
    out = capsys.readouterr().out
    for path in (made.report, made.warehouse, made.files):
        assert str(path) in out
    assert "inside the interval" in out
    assert f"--warehouse {made.warehouse} repeatability" in out


def test_the_other_questions_get_their_honest_answers(made):
    with ds.open_warehouse(made.warehouse) as warehouse:
        for question in made.other_questions:
            finding = warehouse.compare(baseline=question.baseline, candidate=question.candidate)
            assert finding.verdict == question.honest_verdict, question.name


def test_the_demo_of_another_version_is_not_mixed_in(run, first_files, tmp_path):
    shop = tmp_path / "dynostats.duckdb"
    log = tmp_path / "T01-01.csv"
    log.write_bytes((first_files / "may-02_1.csv").read_bytes())
    (tmp_path / "sheet.csv").write_text(
        "file,engine,session,setup\nT01-01.csv,E,S,stock\n", encoding="utf-8"
    )
    assert run("--warehouse", shop, "ingest", log).status == 0
    ran = run("demo", "--out", tmp_path, "--json")
    assert ran.status == 1
    assert "another version" in ran.json()["error"]["what"]


def test_a_folder_that_cannot_be_made(run, tmp_path):
    (tmp_path / "taken").write_text("a file")
    ran = run("demo", "--out", tmp_path / "taken" / "demo", "--json")
    assert ran.status == 1
    assert "taken" in ran.json()["error"]["where"]
    assert "Traceback" not in ran.err
