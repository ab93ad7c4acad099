from __future__ import annotations

import polars as pl
import pytest
from made_question import declaration

from dynostats.analysis.planning.day import changes_since_start
from dynostats.analysis.planning.progress import (
    coming_looks,
    due_look,
    follow,
    of_study,
    scheduled,
    set_apart,
)


def stored(run, *, session="day", states=None, engine="mill"):
    """Return pulls as the warehouse lists them; w is a warm-up."""
    setups = {"A": "A", "B": "B", "w": "warm-up"}
    return pl.DataFrame(
        {
            "pull": [f"P{at}" for at in range(1, len(run) + 1)],
            "engine": engine,
            "dyno": "cell",
            "session": session,
            "setup": [setups[letter] for letter in run],
            "order": list(range(1, len(run) + 1)),
            "started": None,
            "state": states or ["accepted"] * len(run),
        },
        schema_overrides={"started": pl.Datetime},
    )


NOTHING = stored("A").clear()


def test_before_the_first_pull():
    progress = follow(NOTHING, declaration("ABBA"))
    assert (progress.baseline, progress.candidate, progress.pairs) == (0, 0, 0)
    assert progress.next.order == 1


@pytest.mark.parametrize(
    ("run", "letter", "order"),
    [("A", "B", 2), ("AB", "B", 3), ("ABB", "A", 4), ("AA", "B", 2), ("B", "A", 1)],
)
def test_what_is_next(run, letter, order):
    row = follow(stored(run), declaration("ABBA")).next
    assert (row.role, row.order) == (letter, order)


def test_all_in():
    progress = follow(stored("ABBA"), declaration("ABBA"))
    assert progress.next is None
    assert progress.pairs == 2


def test_void_pulls_and_warm_ups_do_not_count():
    run = stored("wABB", states=["accepted", "accepted", "excluded", "accepted"])
    progress = follow(run, declaration("ABBA"))
    assert (progress.baseline, progress.candidate) == (1, 1)
    assert progress.next.order == 3


def test_other_sessions_engines_and_dynos_do_not_count():
    for other in (stored("AB", session="past"), stored("AB", engine="other")):
        assert of_study(other, declaration("ABBA")).is_empty()
    assert of_study(stored("AB"), declaration("ABBA", dyno=None)).is_empty()


def test_pulls_of_other_sessions_are_set_apart():
    pulls = pl.concat([stored("AB", session="past"), stored("AB")])
    apart = set_apart(pulls, declaration("ABBA"))
    assert apart["setup"].to_list() == ["A", "B (not of this study)", "A", "B"]


def test_looks_are_due_once_when_their_pairs_are_in():
    declared = declaration("ABBAABBA", looks=2)
    assert scheduled(declared) == (2, 4)
    assert due_look(1, 0, declared) is None
    assert due_look(2, 0, declared) == 2
    assert due_look(3, 2, declared) is None
    assert due_look(4, 2, declared) == 4
    assert due_look(4, 0, declared) == 4
    assert coming_looks(2, declared) == (4,)
    assert coming_looks(4, declared) == ()


def test_what_changed_is_read_at_speeds_both_pulls_have():
    pulls = stored("ABA")
    rpm = [2000.0, 2050.0, 2100.0, 2150.0]
    curves = pl.DataFrame(
        {
            "pull": [name for name in ("P1", "P2", "P3") for _ in rpm],
            "rpm": rpm * 3,
            "torque": [300.0] * 4 + [330.0] * 4 + [303.0] * 4,
            "oil_temperature": [None, 90.0, 91.0, 92.0] + [95.0] * 4 + [99.0, 93.0, 94.0, 95.0],
            "charge_temperature": [None] * 12,
        },
        schema_overrides={"charge_temperature": pl.Float64},
    )
    found = {change.name: change for change in changes_since_start(pulls, curves)}
    assert set(found) == {"torque", "oil_temperature"}
    assert found["torque"].now == pytest.approx(1.0)  # the third pull against the first
    assert (found["oil_temperature"].start, found["oil_temperature"].now) == (91.0, 94.0)


def test_nothing_changed_before_a_pull():
    assert changes_since_start(NOTHING, pl.DataFrame()) == ()
