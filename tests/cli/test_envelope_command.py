"""`dynostats envelope`: the contract, the terminal, the page, and what it refuses."""

from __future__ import annotations

import html
import re
import shlex

import pytest

import dynostats as ds

REFERENCE = ("envelope", "--reference", "standard")


@pytest.fixture(scope="module")
def a_log(first_files):
    return first_files / "may-16_1.csv"


def scaled(log, out, column, factor):
    """Write a log again with one column multiplied."""
    header, *rows = log.read_text("utf-8").splitlines()
    at = header.split(",").index(column)
    lines = [header]
    for row in rows:
        cells = row.split(",")
        cells[at] = f"{float(cells[at]) * factor:.3f}"
        lines.append(",".join(cells))
    out.write_text("\n".join(lines) + "\n", "utf-8")
    return out


def test_the_contract(on, a_log, tmp_path):
    over = scaled(a_log, tmp_path / "over.csv", "Boost (psi)", 1.3)
    ran = on(*REFERENCE, over, "--ambient-pressure", "99.2", "--json")
    answer = ran.json()
    assert ran.status == 0
    assert set(answer) >= {"inside", "channels", "warnings"}
    assert answer["inside"] is False
    (channel,) = answer["channels"]
    assert set(channel) >= {"channel", "share_outside", "worst_rpm", "worst_excess"}
    assert channel["channel"] == "manifold_pressure"
    assert channel["share_outside"] > 0.5
    assert channel["worst_excess"] > 0.0
    assert answer["warnings"][0].startswith("Danger to the engine.")
    assert "Danger to the engine." in ran.err


def test_a_log_like_the_pulls_is_inside_and_stored_nowhere(on, a_log):
    before = on("pulls", "--json").json()
    ran = on(*REFERENCE, a_log, "--ambient-pressure", "99.2", "--json")
    answer = ran.json()
    assert answer["inside"] is True
    assert answer["channels"][0]["worst_excess"] == 0.0
    assert any("left out of its own range" in text for text in answer["warnings"])
    assert on("pulls", "--json").json() == before


def test_a_gauge_without_a_barometer_is_not_covered(on, a_log):
    answer = on(*REFERENCE, a_log, "--json").json()
    assert answer["inside"] is False
    assert answer["verdict"] == "not_enough_covered"
    assert answer["channels"][0]["share_outside"] is None
    assert any("barometer is not known" in text for text in answer["warnings"])


def test_the_terminal_says_danger_first_and_never_safe(on, a_log, tmp_path):
    over = scaled(a_log, tmp_path / "over.csv", "Boost (psi)", 1.3)
    said = on(*REFERENCE, over, "--ambient-pressure", "99.2").out
    assert said.startswith("Danger to the engine.")
    assert "OUTSIDE THE RANGE OF THE PULLS  standard on QB-18T" in said
    assert "The way up, one step at a time" in said
    assert "Next: Do not go on to the next step" in " ".join(said.split())
    assert not re.search(r"\bsafe", said, re.IGNORECASE)


def test_the_page_stands_alone(on, a_log, tmp_path):
    page = tmp_path / "ranges.html"
    ran = on(*REFERENCE, a_log, "--ambient-pressure", "99.2", "--report", page)
    text = page.read_text("utf-8")
    assert ran.status == 0
    assert str(page) in ran.err
    assert "<svg" in text
    assert "Inside the range of the pulls" in text
    assert not re.search(r"(src|href)=\"(https?:)?//", text)
    assert "<script" not in text
    assert not re.search(r"\bsafe\b", text, re.IGNORECASE)
    assert "One short run at full load" in text


def test_the_page_names_the_command_that_gives_the_same_answer(on, a_log, tmp_path):
    late, page = tmp_path / "late sensor.toml", tmp_path / "ranges.html"
    late.write_text("[manifold_pressure]\nlag = 0.5\n", "utf-8")
    asked = (*REFERENCE, a_log, "--channels", late, "--ambient-pressure", "99.2", "--json")
    told = on(*asked, "--report", page).json()
    (command,) = re.findall(r"dynostats (envelope [^<]+)<", page.read_text("utf-8"))
    assert on(*shlex.split(html.unescape(command)), "--json").json() == told


def test_several_logs_are_checked_together(on, first_files):
    logs = [first_files / f"may-16_{number}.csv" for number in (1, 4)]
    answer = on(*REFERENCE, *logs, "--ambient-pressure", "99.2", "--json").json()
    assert [log["log"] for log in answer["logs"]] == ["may-16_1.csv", "may-16_4.csv"]


def test_the_python_function_is_the_command(first_warehouse, a_log):
    with ds.open_warehouse(first_warehouse) as warehouse:
        found = warehouse.envelope(a_log, reference="standard", ambient_pressure=99.2)
    assert found.inside
    assert found.frame["channel"].to_list() == ["manifold_pressure"]
    assert found.chart().to_dict()["layer"]
    assert found._repr_html_().startswith("<p>Inside the range")


@pytest.mark.parametrize(
    ("arguments", "refused"),
    [
        (("envelope", "LOG"), (2, "--reference")),
        (("envelope", "--reference", "standard"), (2, "FILE")),
        ((*REFERENCE, "missing.csv"), (1, "there is no such file")),
        ((*REFERENCE, "LOG", "LOG"), (1, "named twice")),
        (("envelope", "--reference", "standart", "LOG"), (1, "no setup 'standart'")),
        ((*REFERENCE, "LOG", "--engine", "QB-18X"), (1, "no engine 'QB-18X'")),
        ((*REFERENCE, "LOG", "--ambient-pressure", "29.3"), (1, "29.3 kPa")),
        ((*REFERENCE, "LOG", "--ambient-pressure", "nan"), (1, "nan kPa")),
        ((*REFERENCE, "EMPTY"), (1, "empty")),
        ((*REFERENCE, "NO_SPEED"), (1, "no engine-speed column")),
    ],
)
def test_what_is_refused(on, a_log, tmp_path, arguments, refused):
    status, what = refused
    made = {"LOG": a_log, "EMPTY": tmp_path / "none.csv", "NO_SPEED": tmp_path / "bare.csv"}
    made["EMPTY"].write_bytes(b"")
    made["NO_SPEED"].write_text("Lambda,Oil pressure [bar]\n0.9,4.1\n0.9,4.2\n0.9,4.2\n", "utf-8")
    ran = on(*(made.get(word, word) for word in arguments), "--json")
    assert ran.status == status
    assert what in ran.json()["error"]["what"]
    assert "Traceback" not in ran.err


def test_without_a_warehouse_nothing_is_made(run, a_log, tmp_path):
    ran = run("--warehouse", tmp_path / "none.duckdb", *REFERENCE, a_log, "--json")
    assert ran.status == 1
    assert "there is no warehouse here" in ran.json()["error"]["what"]
    assert not (tmp_path / "none.duckdb").exists()


def test_a_lag_that_the_channel_file_states_is_aligned(on, a_log, tmp_path):
    late = tmp_path / "late.toml"
    late.write_text("[manifold_pressure]\nlag = 0.5\n", "utf-8")
    asked = (*REFERENCE, a_log, "--ambient-pressure", "99.2", "--json")
    plain, aligned = on(*asked).json(), on(*asked, "--channels", late).json()
    assert any("reads 0.5 s late" in text for text in aligned["warnings"])
    assert plain["channels"][0]["covered_rpm"] != aligned["channels"][0]["covered_rpm"]
