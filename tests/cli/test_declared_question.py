"""A question declared before its pulls stands in the comparison and its report."""

from __future__ import annotations

PLAN = ("plan", "--effect", "1.5", "--baseline", "standard", "--candidate", "short-hose")
COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")


def test_without_a_declaration_there_is_none(on):
    assert on(*COMPARE, "--json").json()["declared"] is None


def test_a_declaration_needs_names(run, own_warehouse):
    ran = run("--warehouse", own_warehouse, *PLAN, "--declare", "--json")
    assert ran.status == 1
    assert "needs the names" in ran.json()["error"]["what"]
    rows = run("--warehouse", own_warehouse, "query", "declared", "--json").json()["rows"]
    assert rows == []


def test_declared_then_compared_with_its_departures(run, own_warehouse, tmp_path):
    shop = ("--warehouse", own_warehouse)
    declare = ("--session", "may-16", "--declare", "--looks", "pair", "--who", "Ada")
    made = run(*shop, *PLAN, *declare, "--seed", "1", "--json")
    assert made.status == 0
    assert made.json()["declared"] == 1
    assert "question 1" in made.err
    page = tmp_path / "finding.html"
    asked = run(*shop, *COMPARE, "--margin", "1", "--report", page, "--json")
    declared = asked.json()["declared"]
    assert declared["who"] == "Ada"
    assert declared["margin_pct"] == 0.5
    assert any("margin is 1%" in words for words in declared["departures"])
    assert any("before the question was declared" in words for words in declared["departures"])
    text = page.read_text("utf-8")
    assert "Declared before the pulls" in text
    assert "The margin is 1%; declared was 0.5%." in text
    said = run(*shop, *COMPARE, "--margin", "1").out
    assert "Departure: The margin is 1%; declared was 0.5%." in said


def test_a_new_shop_can_declare_before_its_first_pull(run, tmp_path):
    shop = ("--warehouse", tmp_path / "new.duckdb")
    names = ("--engine", "QB-1", "--session", "one", "--declare")
    ran = run(*shop, *PLAN, *names, "--json")
    assert ran.status == 0
    rows = run(*shop, "query", "declared", "--json").json()["rows"]
    assert [row["engine"] for row in rows] == ["QB-1"]
    assert run(*shop, "verify", "--json").json()["sound"]


def test_a_wrong_number_of_looks_is_wrong_usage(on):
    assert on("plan", "--effect", "1", "--looks", "many").status == 2
    refused = on("plan", "--effect", "1", "--looks", "0", "--json")
    assert refused.status == 1
    assert refused.json()["error"]["where"] == "--looks"
