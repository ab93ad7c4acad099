"""The past replayed: what was known, what was seen by eye, and which claims would not stand."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from made_history import make_study

from dynostats.analysis.synthesis import (
    PastStudy,
    Then,
    by_eye,
    pulls_known,
    tell_history,
    tell_then,
)

STUDY = PastStudy(engine="mule", baseline="stock", candidate="deep")
MONDAY = datetime(2024, 3, 4, 9)  # noqa: DTZ001 - the shop's clock
DAY = timedelta(days=1)
RPM = np.arange(2000.0, 3000.0, 50.0)


def pulls(*rows, **more):
    """Return pulls, a tuple of name, setup, session and day each."""
    return pl.DataFrame(
        [
            {
                "pull": name,
                "engine": "mule",
                "dyno": "c",
                "session": session,
                "setup": setup,
                "order": None,
                "started": None if day is None else MONDAY + day * DAY,
                "state": "accepted",
                "why": None,
            }
            | more.get(name, {})
            for name, setup, session, day in rows
        ],
        schema_overrides={"order": pl.Int64, "started": pl.Datetime, "why": pl.String},
    )


def then(seen=1.0, verdict="gain", *, error=0.002, since=()):
    return Then(
        at=MONDAY,
        by_eye_pct=seen,
        baseline_pulls=2,
        candidate_pulls=2,
        verdict=verdict,
        effect_pct=seen,
        error=error,
        since=since,
    )


def claims(study):
    return {one.source: one for one in tell_history([study]).claims}


def test_a_study_was_made_when_its_setups_first_met():
    stored = pulls(
        ("P1", "stock", "a", 0), ("P2", "deep", "b", 7), ("P3", "stock", "b", 7),
        ("P4", "deep", "c", 30), ("P5", "stock", "c", 30), ("P6", "other", "a", 1),
    )  # fmt: skip
    known = pulls_known(stored, STUDY)
    assert known["pull"].to_list() == ["P1", "P2", "P3", "P6"]


def test_setups_that_never_met_were_known_when_the_second_had_been_pulled():
    stored = pulls(
        ("P1", "stock", "a", 0), ("P2", "stock", "a", 0), ("P3", "deep", "b", 7),
        ("P4", "deep", "b", 8), ("P5", "deep", "c", 30),
    )  # fmt: skip
    assert pulls_known(stored, STUDY)["pull"].to_list() == ["P1", "P2", "P3", "P4"]


def test_without_dates_all_pulls_are_and_without_a_setup_nothing_is_replayed():
    undated = pulls(("P1", "stock", "a", 0), ("P2", "deep", "a", None), ("P3", "deep", "b", 9))
    assert pulls_known(undated, STUDY).height == 3
    assert pulls_known(pulls(("P1", "stock", "a", 0)), STUDY) is None


def test_by_eye_is_the_difference_of_mean_torque():
    stored = pulls(("P1", "stock", "a", 0), ("P2", "stock", "a", 0), ("P3", "deep", "a", 0))
    levels = {"P1": 100.0, "P2": 104.0, "P3": 105.06}
    curves = pl.concat(
        pl.DataFrame({"pull": [name] * len(RPM), "rpm": RPM, "torque": [level] * len(RPM)})
        for name, level in levels.items()
    )
    assert by_eye(stored, curves, STUDY) == pytest.approx(3.0, rel=1e-12)


def test_what_is_known_otherwise_today_is_named():
    rows = (("P1", "stock", "a", 0), ("P2", "deep", "a", 0), ("P3", "deep", "a", 0))
    was = pulls(*rows)
    now = pulls(
        *rows,
        ("P4", "stock", "d", 9),
        P2={"state": "excluded", "why": "boost leak"},
        P3={"setup": "stock"},
    )
    told = tell_then(was, now, STUDY, by_eye_pct=2.0, judged=None)
    assert told.since == (
        "P2 was left out since (boost leak)",
        "P3's setup was amended since to 'stock'",
        "1 more pull of the two setups",
    )
    assert (told.baseline_pulls, told.candidate_pulls, told.verdict) == (1, 2, None)


def test_a_difference_seen_by_eye_falls_where_noise_explains_it():
    study = make_study(effect=0.006, error=0.006, p_value=0.3, verdict="undecided", then=then(0.6))
    told = claims(study)
    assert told["by_eye"].claimed == "gain"
    assert not told["by_eye"].stands
    assert told["by_eye"].because[0] == "noise"
    assert "gain by eye on 2024-03-04, +0.60%" in told["by_eye"].text
    assert "allowing for the noise of the cell it is undecided" in told["by_eye"].text


def test_below_the_margin_nothing_was_claimed_by_eye():
    study = make_study(effect=0.0, p_value=0.9, verdict="undecided", then=then(0.4, "undecided"))
    assert claims(study) == {}


def test_a_claim_that_falls_with_a_pull_left_out_says_so():
    study = make_study(
        effect=0.001,
        p_value=0.8,
        verdict="undecided",
        then=then(2.0, since=("P2 was left out since (boost leak)",)),
    )
    fallen = claims(study)["then"]
    assert not fallen.stands
    assert "paperwork" in fallen.because
    assert "P2 was left out since (boost leak)" in fallen.text


def test_a_claim_that_falls_with_more_noise_says_so():
    study = make_study(
        effect=0.01, error=0.008, p_value=0.2, verdict="undecided", then=then(1.0, error=0.003)
    )
    fallen = claims(study)["then"]
    assert fallen.because[0] == "noise"
    assert "its standard error was 0.30% then and is 0.80% today" in fallen.text


def test_a_claim_that_falls_among_many_says_so():
    one = make_study(effect=0.01, p_value=0.04, then=then(1.0))
    others = [make_study(f"engine {at}", 0.0, p_value=0.9, verdict="undecided") for at in range(20)]
    told = {c.source: c for c in tell_history([one, *others]).claims if c.engine == "mule"}
    assert not told["then"].stands
    assert told["then"].because == ("multiplicity",)


def test_what_was_claimed_then_and_stands_is_said_once():
    told = claims(make_study(then=then(2.0)))
    assert set(told) == {"by_eye", "then"}
    assert all(one.stands for one in told.values())


def test_the_answer_counts_what_was_seen_by_eye_and_what_is_doubtful():
    found = tell_history(
        [
            make_study("a", then=then(2.0), doubts=("One pull is doubtful (P1, spiked).",)),
            make_study("b", 0.001, p_value=0.7, verdict="undecided", then=then(1.0, "undecided")),
        ]
    )
    assert "By eye, 2 studies would have claimed" in found.answer
    assert "1 of these would not stand today" in found.answer
    assert "1 study rests on pulls that are doubtful" in found.answer
    assert any("P1, spiked" in warning for warning in found.warnings)
    assert found.studies.filter(engine="a")["doubts"].item().to_list() == [
        "One pull is doubtful (P1, spiked)."
    ]


def test_it_says_why_nothing_is_said_of_moderators():
    few = tell_history([make_study()])
    assert "takes ten engines" in few.moderators_lacking
    three = tell_history([make_study(name) for name in "abc"])
    assert three.moderators_lacking == ""
    assert all("no engine of this kind says it" in one.text for one in three.moderators)
