from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import polars as pl
import pytest
from made_question import DECLARED_AT, declaration
from studies import Day, frames_of

from dynostats.analysis.compare import compare
from dynostats.analysis.planning.declaration import Declared, Look
from dynostats.analysis.planning.departures import find_departures
from dynostats.analysis.planning.wording import say_declared, say_departures, say_look
from dynostats.analysis.question import Question


def found(run="ABBA", *, session="day", question=None):
    """Return a comparison of one session, and when its pulls were stored."""
    return compared(run, session, tuple((question or {}).items()))


@cache
def compared(run, session, question):
    history = [Day(run="AAA", session=f"past{number}") for number in range(4)]
    pulls, curves = frames_of(*history, Day(run=run, session=session), seed=2)
    asked = Question(engine="mill", baseline="A", candidate="B", **dict(question))
    result = compare(pulls, curves, asked, draws=200)
    stored = pulls.select("pull").with_columns(stored_at=pl.lit(DECLARED_AT + timedelta(hours=1)))
    return result, stored


def test_what_was_followed_has_no_departure():
    assert find_departures(*reordered(found(), declaration())) == ()


def reordered(pair, declared):
    result, stored = pair
    return result, declared, stored


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"margin_pct": 1.0}, "The margin is 1%; declared was 0.5%."),
        ({"alpha": 0.1}, "Alpha is 0.1; declared was 0.05."),
        ({"quantity": "torque"}, "Asked about torque; declared was power."),
        ({"band": (2500.0, 4000.0)}, "The band is 2500 to 4000 rpm; declared was 2000 to 4000."),
    ],
)
def test_another_question_is_a_departure(question, words):
    assert find_departures(*reordered(found(question=question), declaration())) == (words,)


def test_a_band_that_ends_a_step_early_is_none():
    pair = found(question={"band": (2050.0, 3950.0)})
    assert find_departures(*reordered(pair, declaration())) == ()


def test_another_correction_is_a_departure():
    (words,) = find_departures(*reordered(found(), declaration(correction="iso_1585")))
    assert words == "The correction is none; declared was iso_1585."


def test_an_order_not_followed_is_shown():
    (words,) = find_departures(*reordered(found("ABAB"), declaration()))
    assert words == "Session day was run A B A B; declared was A B B A."


def test_fewer_and_more_pulls_are_shown():
    fewer = find_departures(*reordered(found("ABBA"), declaration("ABBAABBA")))
    assert fewer == (
        "2 pulls of A, fewer than the 4 declared.",
        "2 pulls of B, fewer than the 4 declared.",
    )
    more = find_departures(*reordered(found("ABBAAB"), declaration("ABBA")))
    assert more == (
        "3 pulls of A, more than the 2 declared.",
        "3 pulls of B, more than the 2 declared.",
    )


def test_other_sessions_are_shown():
    words = find_departures(*reordered(found(session="other"), declaration()))
    assert "Session other is in the answer; it was not declared." in words
    assert "Session day was declared; it is not in the answer." in words


def test_pulls_from_before_are_shown():
    result, stored = found()
    early = stored.with_columns(
        stored_at=pl.when(pl.col("pull") == "mill-day-1")
        .then(pl.lit(DECLARED_AT - timedelta(minutes=1)))
        .otherwise("stored_at")
    )
    (words,) = find_departures(result, declaration(), early)
    assert words.startswith("mill-day-1 was stored before the question was declared")


def test_declaring_again_is_shown():
    result, stored = found()
    (words,) = find_departures(result, declaration(), stored, declared_again=2)
    assert "declared 2 times more" in words


def test_in_words():
    declared = declaration(band=None, looks=2)
    assert say_declared(declared) == (
        "Declared 2025-05-01 08:00 UTC by Ada (question 1): does B change the power of A on mill "
        "over what every pull covers by 0.5% or more; 2 pulls of each setup in the order A B B A, "
        "alpha 0.05, 2 looks by Pocock's boundary."
    )
    held = Declared(declaration=replace(declared, looks=1), departures=(), looks=())
    assert say_declared(held.declaration).endswith("looked at once, at the end.")
    assert say_departures(held) == ("It was followed to the letter.",)
    assert held.to_dict()["order"] == ["A", "B", "B", "A"]


def test_a_look_in_words():
    look = Look(
        number=2,
        pairs=2,
        information=0.5,
        df=6.0,
        level=0.0123,
        verdict="gain",
        decision="stop: gain",
        effect_pct=2.5,
        low_pct=1.0,
        high_pct=4.0,
    )
    assert say_look(look) == "after 2 pairs +2.50% (+1.00 to +4.00% at level 0.0123): stop: gain"
    early = replace(look, level=0.0, low_pct=None, high_pct=None, decision="go on")
    assert say_look(early) == "after 2 pairs +2.50% (nothing could be claimed yet): go on"
