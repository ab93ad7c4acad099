from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from made_question import declaration
from scipy.stats import norm
from scipy.stats import t as student_t
from studies import Day, frames_of

from dynostats.analysis.compare import compare
from dynostats.analysis.planning.declaration import Look
from dynostats.analysis.question import LEAST_ALPHA, Question
from dynostats.analysis.sequential.foresight import Outline, foresee, outline_of
from dynostats.analysis.sequential.looking import (
    OUT_OF_PULLS,
    decide_look,
    degrees_of_freedom,
    information_share,
    levels_of,
)
from dynostats.analysis.sequential.small_df import student_levels

RULE = "lan_demets_obrien_fleming"


@cache
def compared(run="ABBA", *, effect=0.0, past=6, alpha=0.05):
    history = [Day(run="AAAA", session=f"past{number}") for number in range(past)]
    frames = frames_of(*history, Day(run=run, session="day", effect=effect), seed=4)
    question = Question(engine="mill", baseline="A", candidate="B", alpha=alpha)
    return compare(*frames, question, draws=2000)


def looked(information, df, *, number=1):
    return Look(
        number=number,
        pairs=number,
        information=information,
        df=df,
        level=0.0,
        verdict="undecided",
        decision="go on",
        effect_pct=0.0,
        low_pct=None,
        high_pct=None,
    )


@pytest.mark.parametrize(("run", "share"), [("ABBA", 0.5), ("ABBAABBA", 1.0)])
def test_information_is_the_share_of_the_planned_pulls(run, share):
    assert information_share(compared(run), declaration("ABBAABBA")) == pytest.approx(share)


def test_more_pulls_than_planned_are_all_the_information():
    assert information_share(compared("ABBAABBA"), declaration("ABBA")) == 1.0


def test_degrees_of_freedom_give_the_critical_value_back():
    found = compared()
    df = degrees_of_freedom(found)
    # The band mean has half of alpha, two-sided.
    critical = found.method["mean_critical_value"]
    assert student_t.isf(0.05 / 4, df) == pytest.approx(critical, rel=1e-3)
    assert degrees_of_freedom(compared(past=0)) < df


def test_levels_of_the_looks_are_those_of_the_boundary():
    declared = declaration("ABBAABBA", looks=4, rule=RULE)
    taken = [looked(0.25, 6.0), looked(0.5, 8.0, number=2)]
    found = levels_of(declared, taken, [(0.75, 10.0), (1.0, 12.0)])
    every = student_levels(
        RULE, [0.25, 0.5, 0.75, 1.0], [6, 8, 10, 12], looks=4, alpha=0.05, least=LEAST_ALPHA
    )
    assert found == every[2:]


def test_what_a_look_says_to_do():
    assert decide_look("gain", last=False) == "stop: gain"
    assert decide_look("no_meaningful_change", last=True) == "stop: no meaningful change"
    assert decide_look("undecided", last=False) == "go on"
    assert decide_look("undecided", last=True) == OUT_OF_PULLS


def outline(effect_pct, error_pct, *, margin_pct=0.5):
    """Return a flat effect known alike at every speed, wholly common noise."""
    speeds = np.arange(2000.0, 4001.0, 100.0)
    error = error_pct / 100.0
    return Outline(
        rpm=speeds,
        effect=np.full(len(speeds), np.log1p(effect_pct / 100.0)),
        half=np.full(len(speeds), 2.5 * error),
        near=np.full(len(speeds), 1.7 * error),
        critical=2.5,
        mean_half=2.2 * error,
        mean_critical=2.2,
        correlation_rpm=None,
        margin_pct=margin_pct,
    )


def test_foresight_of_a_gain_is_the_predictive_probability():
    """One common error, known: the new estimate is normal about the old; a closed form."""
    effect, error, growth = 1.0, 0.5, 2.0
    chances = foresee(outline(effect, error), df=1e6, growth=growth)
    moved = error * np.sqrt(1 - 1 / growth)
    bound = 2.2 * error / np.sqrt(growth)  # the mean claims before the curve does
    expected = norm.sf((bound - effect) / moved)
    deviation = np.sqrt(expected * (1 - expected) / 400)
    assert chances.get("gain", 0.0) == pytest.approx(expected, abs=4 * deviation + 0.01)


def test_foresight_knows_what_is_all_but_decided():
    assert foresee(outline(5.0, 0.3), df=10.0, growth=1.3) == {"gain": 1.0}
    assert foresee(outline(-5.0, 0.3), df=10.0, growth=1.3) == {"loss": 1.0}
    same = foresee(outline(0.0, 0.1, margin_pct=1.0), df=50.0, growth=1.3)
    assert same == {"no_meaningful_change": 1.0}


def test_few_degrees_of_freedom_make_foresight_less_sure():
    sure = foresee(outline(1.2, 0.4), df=1e6, growth=1.5).get("gain", 0.0)
    unsure = foresee(outline(1.2, 0.4), df=2.0, growth=1.5).get("gain", 0.0)
    assert unsure < sure


def test_the_outline_of_a_comparison():
    found = compared("ABBA", effect=0.02)
    drawn = outline_of(found)
    assert drawn.critical == found.method["curve_critical_value"]
    assert 100 * np.expm1(drawn.effect + drawn.half) == pytest.approx(
        found.curve["high_pct"].to_numpy()
    )
    assert outline_of(compared("AB", past=0)) is None
