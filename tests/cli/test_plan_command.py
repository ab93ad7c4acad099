"""`plan`: the contract's keys, the terminal, and a run sheet that comes back through `ingest`."""

from __future__ import annotations

import csv
import shutil

import pytest

NAMED = ("--baseline", "standard", "--candidate", "short-hose", "--session", "june-01")


def test_the_contract(on):
    ran = on("plan", "--effect", "1.5", "--json")
    answer = ran.json()
    assert ran.status == 0
    assert set(answer) >= {
        *("pulls_per_setup", "sessions", "order", "detectable_pct_by_n", "assumptions"),
    }
    assert answer["order"].count("A") == answer["order"].count("B") == answer["pulls_per_setup"]
    assert set(answer["order"]) == {"A", "B"}
    assert {"n", "pct"} <= set(answer["detectable_pct_by_n"][0])
    assert answer["assumptions"]["noise_measured"]


def test_more_power_and_smaller_effects_need_more_pulls(on):
    def pulls(*asked):
        return on("plan", *asked, "--seed", "1", "--json").json()["pulls_per_setup"]

    assert pulls("--effect", "0.5") > pulls("--effect", "2")
    assert pulls("--effect", "0.7", "--power", "0.99") > pulls("--effect", "0.7", "--power", "0.5")


def test_the_seed_gives_the_same_order_again(on):
    asked = ("plan", "--effect", "0.4", "--json")
    drawn = on(*asked).json()
    again = on(*asked, "--seed", drawn["assumptions"]["seed"]).json()
    assert again["order"] == drawn["order"]


def test_without_a_warehouse_an_assumption_is_stated_and_none_is_made(run, tmp_path):
    missing = tmp_path / "none.duckdb"
    ran = run("--warehouse", missing, "plan", "--effect", "1.5", "--json")
    assert ran.status == 0
    assert not ran.json()["assumptions"]["noise_measured"]
    assert "common practice, no published source" in ran.json()["assumptions"]["noise_source"]
    assert not missing.exists()


def test_the_terminal_says_how_many_and_in_what_order(on):
    said = on("plan", "--effect", "1.5", "--sessions", "2").out
    assert "of each setup over 2 sessions see an effect of 1.5% with a chance of" in said
    assert "Session 2" in said
    assert "Each setup on days of its own" in said


def test_looks_say_when_a_claim_is_too_early_and_when_the_study_ends(on):
    asked = ("plan", "--effect", "0.5", "--looks", "pair", "--seed", "1")
    said, answer = on(*asked).out, on(*asked, "--json").json()
    last = answer["looks"][-1]
    assert f"Look after pair {last['after_pairs']}: level {last['level']:.4f}" in said
    early = [look for look in answer["looks"] if look["level"] < 0.005]  # the least alpha there is
    assert early
    assert said.count("too early for any claim") == len(early)
    assert f"ends after {answer['expected_pairs']:.1f} pairs" in said
    # By hand: a study that is not ended by a look runs to its last pair.
    reached = [0.0, *(look["found_by_then"] for look in answer["looks"][:-1])]
    pairs = [look["after_pairs"] for look in answer["looks"]]
    steps = [now - before for before, now in zip([0, *pairs], pairs, strict=False)]
    mean = sum((1 - ended) * step for ended, step in zip(reached, steps, strict=True))
    assert answer["expected_pairs"] == pytest.approx(mean)


def test_a_sheet_needs_names(on, tmp_path):
    ran = on("plan", "--effect", "1.5", "--sheet", tmp_path / "sheet.csv", "--json")
    assert ran.status == 1
    assert "needs the names" in ran.json()["error"]["what"]
    assert not (tmp_path / "sheet.csv").exists()


@pytest.mark.parametrize("effect", ["0", "-1", "nan", "100"])
def test_an_effect_out_of_range_is_refused(on, effect):
    ran = on("plan", "--effect", effect, "--json")
    assert ran.status == 1
    assert ran.json()["error"]["where"] == "--effect"


def test_the_run_sheet_comes_back_as_the_sheet(run, first_files, own_warehouse, tmp_path):
    shop = ("--warehouse", own_warehouse)
    folder = tmp_path / "june"
    folder.mkdir()
    sheets = (folder / "sheet.csv", tmp_path / "run_sheet.html")
    options = [word for sheet in sheets for word in ("--sheet", sheet)]
    made = run(*shop, "plan", "--effect", "1.5", *NAMED, *options, "--json")
    assert made.status == 0
    with (folder / "sheet.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["order"]]
    planned = [{"A": "standard", "B": "short-hose"}[letter] for letter in made.json()["order"]]
    assert [row["setup"] for row in rows] == planned
    text = (first_files / "may-16_1.csv").read_text("utf-8")
    for place, row in enumerate(rows):
        changed = text.replace("0.00,2500,", f"0.00,250{place + 1},", 1)
        (folder / row["file"]).write_text(changed, encoding="utf-8")
    took = run(*shop, "ingest", folder, "--sheet", folder / "sheet.csv", "--json")
    assert took.status == 0
    assert len(took.json()["stored"]) == len(rows)
    stored = run(*shop, "pulls", "--session", "june-01", "--json").json()["pulls"]
    assert [pull["setup"] for pull in stored] == planned
    assert [pull["order"] for pull in stored] == list(range(1, len(planned) + 1))
    page = (tmp_path / "run_sheet.html").read_text("utf-8")
    assert page.count('<td class="setup">') == len(rows) + 3
    assert "Cautions" in page
    shutil.rmtree(folder)


def test_names_cannot_write_markup_into_the_page(on, tmp_path):
    page = tmp_path / "sheet.html"
    hostile = "<script>alert(1)</script>"
    asked = ("--baseline", hostile, "--candidate", "b", "--session", "s", "--sheet", page)
    assert on("plan", "--effect", "1.5", *asked).status == 0
    assert "<script>" not in page.read_text("utf-8")
