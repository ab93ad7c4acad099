"""`studies`: what `compare` says of each, on one page with the reports behind it."""

from __future__ import annotations

import re
import shlex

import pytest

import dynostats as ds
from dynostats.report.reproduction import read_filed


@pytest.fixture
def first(run, first_warehouse):
    return run("--warehouse", first_warehouse, "studies", "--json")


def test_setups_that_met_are_a_study_and_it_says_what_compare_says(run, first, first_warehouse):
    assert first.status == 0
    (study,) = first.json()["studies"]
    assert (study["baseline"], study["candidate"]) == ("standard", "short-hose")
    assert study["origin"] == "met"
    alone = run("compare", "--warehouse", first_warehouse, "--baseline", "standard",
                "--candidate", "short-hose", "--json").json()  # fmt: skip
    assert study["verdict"] == alone["verdict"]
    for name in ("effect_pct", "low_pct", "high_pct"):
        assert study[name] == alone["overall"][name]
    assert study["baseline_pulls"] == alone["pulls"]["baseline"]


def test_what_the_sheet_names_stands_instead_of_what_only_met(run, own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        # The other way round than the order of the pulls says.
        warehouse.amend("P1", "relative_to", "short-hose", why="test", who="test")
        warehouse.amend("P1", "changed", "Intake: back to standard", why="test", who="test")
    (study,) = run("--warehouse", own_warehouse, "studies", "--json").json()["studies"]
    assert (study["baseline"], study["candidate"]) == ("short-hose", "standard")
    assert (study["origin"], study["kind"]) == ("named", "intake")


def test_the_page_leads_to_a_report_of_each(run, first_warehouse, tmp_path):
    page = tmp_path / "studies.html"
    answer = run(
        "--warehouse", first_warehouse, "studies", "--report", page, "--each", tmp_path / "all"
    )
    assert answer.status == 0
    assert "short-hose against standard" in answer.out
    html = page.read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=[\"']?https?:", html)
    (link,) = re.findall(r'<a href="(all/[^"]+)"', html)
    filed = read_filed(tmp_path / link)
    assert filed.question.candidate == "short-hose"
    assert "dynostats studies" in html
    # The report names the command that asks its question again, and that gives the same answer.
    text = (tmp_path / link).read_text(encoding="utf-8")
    (command,) = re.findall(r"<code>dynostats (compare [^<]+)</code>", text)
    again = run("--warehouse", first_warehouse, *shlex.split(command), "--json").json()
    assert again["overall"] == dict(filed.result)["overall"]


def test_a_report_that_lies_beside_the_page_is_found(run, first_warehouse, tmp_path):
    run("compare", "--warehouse", first_warehouse, "--baseline", "standard", "--candidate",
        "short-hose", "--report", tmp_path / "my finding.html")  # fmt: skip
    (tmp_path / "other.html").write_text("<p>another page</p>")
    page = tmp_path / "studies.html"
    run("--warehouse", first_warehouse, "studies", "--report", page)
    assert '<a href="my%20finding.html">' in page.read_text(encoding="utf-8")


def test_each_without_the_page_is_wrong_usage(run, first_warehouse, tmp_path):
    answer = run("--warehouse", first_warehouse, "studies", "--each", tmp_path)
    assert answer.status == 2
    assert "--report" in answer.err


def test_an_engine_without_studies_says_what_makes_one(run, first_warehouse):
    answer = run("--warehouse", first_warehouse, "studies", "--engine", "nowhere", "--json")
    assert answer.status == 1
    assert "nowhere" in answer.json()["error"]["what"]
