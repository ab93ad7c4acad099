"""The page of a watch: what it shows in each state, and that names are only ever text."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from cell_day import factor_of, log_of

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.planning.declaration import Look
from dynostats.errors import InputError
from dynostats.report.watch_page import FileNote, build_watch, render_watch, write_watch

NOW = datetime(2025, 5, 1, 9, 30, tzinfo=UTC)
HOSTILE = "<script>alert(1)</script>"


@pytest.fixture
def state(cell):
    """The state after one pull of each setup."""
    cell.drop("a.csv", log_of(1.0, seed=1))
    return cell.drop("b.csv", log_of(factor_of("new"), seed=2)).state


def shown(state, files=()):
    return build_watch(state, files, written=NOW)


def look(**changed):
    given = {
        "number": 1,
        "pairs": 1,
        "information": 0.5,
        "df": 9.0,
        "level": 0.02,
        "verdict": "gain",
        "decision": "stop: gain",
        "effect_pct": 3.0,
        "low_pct": 1.0,
        "high_pct": 5.0,
    }
    return Look(**(given | changed))


def test_while_the_study_goes_on(state):
    view = shown(state)
    assert (view.decision, view.tone) == ("go on", "go")
    assert view.next_setup == "new"
    assert "pull 3 of 8" in view.next_note
    assert "not for stopping" in view.effect_note
    assert view.last.file == "b.csv"
    assert view.departures == ()


@pytest.mark.parametrize(
    ("decision", "tone"),
    [
        ("stop: gain", "gain"),
        ("stop: loss", "loss"),
        ("stop: no meaningful change", "same"),
        ("stop: undecided, all planned pulls are in", "unknown"),
    ],
)
def test_a_study_that_stopped(state, decision, tone):
    view = shown(replace(state, looks=(look(decision=decision),)))
    assert (view.decision, view.tone, view.next_setup) == (decision, tone, "cool down")
    assert "1.00 to 5.00%" in view.effect_note
    assert "all looks taken into account" in view.effect_note


def test_a_danger_stands_above_everything(state):
    danger = PullFinding(
        pull="P25", check="oil", severity="doubtful", message="Oil pressure fell.", danger=True
    )
    page = render_watch(replace(state, judged=(danger,)), (), written=NOW)
    assert page.index("Oil pressure fell.") < page.index("<main>")


def test_files_that_are_no_pulls_are_listed(state):
    note = FileNote(file="c.csv", state="stuck", why="the file breaks off in its last line")
    page = render_watch(state, (note,), written=NOW)
    assert "the file breaks off in its last line" in page
    assert 'id="files"' not in render_watch(state, (), written=NOW)


def test_names_are_only_ever_text(state):
    declared = replace(state.declared, engine=HOSTILE, candidate=HOSTILE, who=HOSTILE)
    note = FileNote(file=HOSTILE, state="stuck", why=HOSTILE)
    page = render_watch(replace(state, declared=declared), (note,), written=NOW)
    assert HOSTILE not in page
    assert page.count("<script>") == 1


def test_the_page_is_replaced_whole_or_not_at_all(state, tmp_path):
    page = tmp_path / "watch.html"
    write_watch(state, (), page, written=NOW)
    assert page.read_text("utf-8") == render_watch(state, (), written=NOW)
    assert [path.name for path in tmp_path.glob("*.html*")] == ["watch.html"]
    assert list(tmp_path.glob(".watch*")) == []
    with pytest.raises(InputError, match="the page cannot be written"):
        write_watch(state, (), tmp_path / "nowhere" / "watch.html", written=NOW)
