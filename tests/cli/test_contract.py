"""The commands, JSON keys and exit statuses that are checked from outside."""

from __future__ import annotations

import math

import pytest

COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")
VERDICTS = {"gain", "loss", "no_meaningful_change", "mixed", "undecided"}


def test_ingest(run, first_files, tmp_path):
    ran = run("--warehouse", tmp_path / "new.duckdb", "ingest", first_files, "--json")
    answer = ran.json()
    assert ran.status == 0
    assert {"stored", "skipped", "refused"} <= answer.keys()
    assert len(answer["stored"]) == 10
    entry = answer["stored"][0]
    assert {"pull", "file", "sha256", "rows", "channels"} <= entry.keys()
    assert entry["rows"] == 33
    assert {"engine_speed", "torque", "power"} <= set(entry["channels"])
    assert len(entry["sha256"]) == 64


def test_ingest_again_skips_everything(run, first_files, own_warehouse):
    again = run("--warehouse", own_warehouse, "ingest", first_files, "--json")
    assert again.status == 0
    assert again.json()["stored"] == []
    assert len(again.json()["skipped"]) == 10
    assert all(entry.keys() >= {"file", "reason"} for entry in again.json()["skipped"])


def test_ingest_stores_the_rest_when_a_file_is_refused(run, first_files, tmp_path):
    (tmp_path / "empty.csv").write_bytes(b"")
    files = sorted(first_files.glob("may-16_*.csv"))
    sheet = first_files / "sheet.csv"
    arguments = ("ingest", *files, tmp_path / "empty.csv", "--sheet", sheet, "--json")
    ran = run("--warehouse", tmp_path / "new.duckdb", *arguments)
    answer = ran.json()
    assert ran.status == 1
    assert len(answer["stored"]) == 4
    (refused,) = answer["refused"]
    assert refused["file"] == "empty.csv"
    assert refused.keys() >= {"file", "what", "where", "mend"}
    assert refused["what"] in ran.err


def test_pulls(on):
    ran = on("pulls", "--json")
    rows = ran.json()["pulls"]
    assert ran.status == 0
    assert len(rows) == 10
    assert set(rows[0]) >= {
        *("pull", "file", "engine", "dyno", "session", "setup", "order", "state", "why"),
        *("rpm_low", "rpm_high"),
    }
    assert rows[0]["state"] == "accepted"
    assert rows[0]["why"] is None


@pytest.mark.parametrize(
    ("option", "value", "count"),
    [("--engine", "QB-18T", 10), ("--session", "may-16", 4), ("--setup", "short-hose", 2)],
)
def test_pulls_of_one_label(on, option, value, count):
    assert len(on("pulls", option, value, "--json").json()["pulls"]) == count


def test_compare(on):
    ran = on(*COMPARE, "--json")
    answer = ran.json()
    assert ran.status == 0
    assert answer["verdict"] == "gain"
    assert set(answer) >= {
        *("verdict", "why", "overall", "regions", "curve", "pulls", "noise", "warnings", "next"),
        "method",
    }
    assert set(answer["overall"]) >= {
        *("effect_pct", "low_pct", "high_pct", "effect_kw", "probability_gain_over_margin"),
    }
    assert set(answer["regions"][0]) >= {
        *("from_rpm", "to_rpm", "verdict", "effect_pct", "low_pct", "high_pct"),
    }
    assert set(answer["curve"][0]) >= {"rpm", "baseline_kw", "effect_pct", "low_pct", "high_pct"}
    assert set(answer["pulls"]) == {"baseline", "candidate", "excluded"}
    assert set(answer["noise"]) >= {"source", "pull_df", "session_df"}
    assert {region["verdict"] for region in answer["regions"]} <= VERDICTS
    assert isinstance(answer["method"], dict)


def test_compare_finds_the_three_percent_that_were_made(on):
    overall = on(*COMPARE, "--json").json()["overall"]
    assert overall["effect_pct"] == pytest.approx(3.0, abs=0.02)  # logs hold two decimals
    assert overall["low_pct"] < 3.0 < overall["high_pct"]


def test_swapping_the_sides_swaps_the_sign(on):
    there = on(*COMPARE, "--json").json()
    back = on("compare", "--baseline", "short-hose", "--candidate", "standard", "--json").json()
    ratio = 1 + there["overall"]["effect_pct"] / 100
    assert 1 + back["overall"]["effect_pct"] / 100 == pytest.approx(1 / ratio, rel=1e-6)
    assert back["verdict"] == "loss"


def test_undecided_is_an_answer(run, first_files, tmp_path):
    shop = ("--warehouse", tmp_path / "two.duckdb")
    pair = (first_files / "may-16_1.csv", first_files / "may-16_2.csv")
    run(*shop, "ingest", *pair, "--sheet", first_files / "sheet.csv")
    ran = run(*shop, *COMPARE, "--json")
    answer = ran.json()
    assert ran.status == 0
    assert answer["verdict"] == "undecided"
    assert answer["next"]
    assert answer["overall"]["low_pct"] is None
    assert {row["low_pct"] for row in answer["curve"]} == {None}
    assert "UNDECIDED" in run(*shop, *COMPARE).out


def test_repeatability(on):
    ran = on("repeatability", "--json")
    answer = ran.json()
    assert ran.status == 0
    assert set(answer) >= {"curve", "pull_df", "session_df", "overall"}
    assert set(answer["curve"][0]) >= {
        *("rpm", "pull_sd_pct", "session_sd_pct"),
        *("repeatability_limit_pct", "reproducibility_limit_pct"),
    }
    assert set(answer["overall"]) == {"pull_sd_pct", "session_sd_pct"}


def test_session_figures_are_null_when_no_setup_came_back(run, first_files, tmp_path):
    shop = tmp_path / "new.duckdb"
    files = sorted(first_files.glob("may-16_*.csv"))
    run("--warehouse", shop, "ingest", *files, "--sheet", first_files / "sheet.csv")
    answer = run("--warehouse", shop, "repeatability", "--json").json()
    assert answer["session_df"] is None
    assert answer["overall"]["session_sd_pct"] is None
    assert {row["session_sd_pct"] for row in answer["curve"]} == {None}


def test_corrections_are_logged(run, own_warehouse):
    shop = ("--warehouse", own_warehouse)
    out = run(*shop, "exclude", "P2", "--why", "hose came off", "--who", "Ada", "--json")
    assert out.status == 0
    assert out.json()["pull"] == "P2"
    row = run(*shop, "pulls", "--json").json()["pulls"][1]
    assert (row["state"], row["why"]) == ("excluded", "hose came off")
    assert run(*shop, "include", "P2", "--why", "it had not").status == 0
    assert run(*shop, "amend", "P2", "setup=short-hose", "--why", "wrong line").status == 0
    assert run(*shop, "pulls", "--json").json()["pulls"][1]["setup"] == "short-hose"
    history = run(*shop, "query", "amendments", "--json").json()["rows"]
    assert [line["field"] for line in history] == ["state", "state", "setup"]
    assert history[0]["who"] == "Ada"


@pytest.mark.parametrize("command", ["exclude", "include"])
def test_a_correction_needs_a_reason(on, command):
    assert on(command, "P1").status == 2


def test_query_lists_its_questions(on):
    queries = on("query", "--json").json()["queries"]
    assert {"pulls", "amendments"} <= {query["name"] for query in queries}
    assert all(query["question"] and query["grain"] for query in queries)


def test_query_by_name_with_a_parameter(on):
    ran = on("query", "pulls", "--param", "setup=short-hose", "--json")
    assert len(ran.json()["rows"]) == 2


def test_query_in_own_words(on):
    sql = "select setup, count(*) as n from pulls where engine = $e group by setup order by n"
    answer = on("query", "--sql", sql, "--param", "e=QB-18T", "--json").json()
    assert answer["columns"] == ["setup", "n"]
    assert answer["rows"] == [{"setup": "short-hose", "n": 2}, {"setup": "standard", "n": 8}]


@pytest.mark.parametrize(
    "sql",
    [
        "delete from pulls",
        "drop table pulls",
        "attach 'other.duckdb'",
        "copy pulls to 'pulls.csv'",
        "select * from read_csv('/etc/passwd')",
        "select 1; drop table pulls",
    ],
)
def test_query_cannot_write_or_reach_out(on, sql):
    ran = on("query", "--sql", sql, "--json")
    assert ran.status == 1
    assert ran.json()["error"]["what"]
    assert len(on("pulls", "--json").json()["pulls"]) == 10


def test_query_writes_a_file(on, tmp_path):
    ran = on("query", "pulls", "--out", tmp_path / "pulls.csv", "--json")
    assert ran.json() == {"out": str(tmp_path / "pulls.csv")}
    assert len((tmp_path / "pulls.csv").read_text("utf-8").splitlines()) == 11


def test_unknown_and_not_finite_numbers_are_null(on):
    sql = "select 'nan'::double as a, 'infinity'::double as b, null as c, 0.5 as d"
    assert on("query", "--sql", sql, "--json").json()["rows"] == [
        {"a": None, "b": None, "c": None, "d": 0.5}
    ]


def test_a_report_is_written(on, tmp_path):
    page = tmp_path / "finding.html"
    ran = on(*COMPARE, "--report", page, "--json")
    assert ran.json()["verdict"] == "gain"
    assert "short-hose" in page.read_text("utf-8")
    assert str(page) in ran.err


def test_every_number_of_an_answer_is_finite(on):
    def numbers(value):
        if isinstance(value, dict):
            return [n for item in value.values() for n in numbers(item)]
        if isinstance(value, list):
            return [n for item in value for n in numbers(item)]
        return [value] if isinstance(value, float) else []

    found = numbers(on(*COMPARE, "--json").json())
    assert len(found) > 100
    assert all(math.isfinite(number) for number in found)


def test_compare_under_a_correction_and_every_other(on):
    question = ("compare", "--baseline", "standard", "--candidate", "short-hose", "--json")
    answer = on(*question, "--correction", "iso_1585")
    assert answer.status == 0
    document = answer.json()
    assert document["question"]["correction"] == "iso_1585"
    named = {one["name"]: one for one in document["corrections"]}
    assert {"none", "sae_j1349", "sae_j607", "iso_1585", "un_r85", "din_70020"} < set(named)
    assert all(one["verdict"] == document["verdict"] for one in named.values())
    refused = on(*question, "--correction", "iso_1558")
    assert refused.status == 1
    error = refused.json()["error"]
    assert error["where"] == "--correction"
    assert "Did you mean 'iso_1585'" in error["mend"]
    assert "jis_d_1001" in error["mend"]
