"""All past studies together: kinds, the best of them, what falls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_history import make_study

from dynostats.analysis.synthesis import LeftOut, PastStudy, tell_history
from dynostats.analysis.synthesis.past import shared_errors

# Benjamini & Hochberg (1995), J. Royal Statistical Society B 57:289, section 4.1: fifteen p values
# (from memory); adjusted values computed with R 4.2.2, p.adjust(method = "BH").
P_VALUES = (
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.324,
    0.4262,
    0.5719,
    0.6528,
    0.759,
    1,
)
ADJUSTED = (
    0.0015,
    0.003,
    0.0095,
    0.035625,
    0.0603,
    0.0638571428571429,
    0.0638571428571429,
    0.0645,
    0.0765,
    0.486,
    0.581181818181818,
    0.714875,
    0.753230769230769,
    0.813214285714286,
    1,
)


def test_what_is_found_among_all_is_the_published_example():
    studies = [
        make_study(f"engine {at}", 0.02 - 0.001 * at, p_value=p) for at, p in enumerate(P_VALUES)
    ]
    table = tell_history(studies).studies.sort("p_value")
    assert table["p_adjusted"].to_list() == pytest.approx(list(ADJUSTED), rel=1e-12)
    assert table["found"].to_list() == [True] * 4 + [False] * 11


def test_studies_of_one_kind_on_three_engines_are_put_together():
    studies = [
        make_study(name, effect) for name, effect in zip("abc", (0.02, 0.03, 0.025), strict=True)
    ]
    (kind,) = tell_history(studies).kinds
    assert (kind.kind, kind.studies, kind.engines, kind.verdict) == ("cooler", 3, 3, "gain")
    # Equal errors: the mean is the plain one, and REML is what the mean square leaves.
    assert kind.effect_pct == pytest.approx(100 * math.expm1(0.025), rel=1e-9)
    between = np.var([0.02, 0.03, 0.025], ddof=1) - 0.004**2
    assert kind.between_sd_pct == pytest.approx(100 * math.sqrt(between), rel=1e-4)
    assert kind.prediction_low_pct < kind.low_pct < kind.high_pct < kind.prediction_high_pct


@pytest.mark.parametrize("engines", ["a", "ab"])
def test_two_engines_say_nothing_of_a_third(engines):
    found = tell_history([make_study(name) for name in engines])
    assert found.kinds[0].effect_pct is None
    assert found.kinds[0].prediction_low_pct is None
    assert found.kinds[0].verdict == "undecided"
    assert "too few" in found.kinds[0].text
    assert found.studies["shrunken_pct"].null_count() == len(engines)
    assert any("too few fellows" in text for text in found.warnings)


def test_several_studies_of_one_engine_count_as_one_engine():
    studies = [make_study("a", 0.02, candidate=f"core {n}") for n in range(5)]
    (kind,) = tell_history([*studies, make_study("b")]).kinds
    assert (kind.studies, kind.engines, kind.effect_pct) == (6, 2, None)


def test_studies_on_the_same_baseline_pulls_err_together():
    one = make_study("a", candidate="x", weights={"P1": -0.5, "P2": -0.5, "P3": 0.5, "P4": 0.5})
    other = make_study("a", candidate="y", weights={"P1": -0.5, "P2": -0.5, "P5": 0.5, "P6": 0.5})
    apart = make_study("b", weights={"P7": -1.0, "P8": 1.0})
    found = shared_errors([one, other, apart], [0.004, 0.002, 0.003])
    # Half of the variance of either is the baseline's: correlation one half.
    assert found[0, 1] == pytest.approx(0.5 * 0.004 * 0.002)
    assert found[0, 2] == 0.0
    assert np.diag(found).tolist() == pytest.approx([16e-6, 4e-6, 9e-6])


def test_the_luck_of_the_largest_is_taken_out():
    effects = (0.030, 0.004, 0.002, 0.006, 0.001, 0.003)
    studies = [make_study(name, e, error=0.010) for name, e in zip("abcdef", effects, strict=True)]
    best = tell_history(studies).studies.row(0, named=True)
    assert best["engine"] == "a"
    assert best["shrunken_pct"] < 0.8 * best["effect_pct"]
    assert best["drawn_to"] == "cooler"


def test_a_claim_that_is_one_of_many_falls():
    lucky = make_study("a", 0.010, error=0.0045, p_value=0.026, verdict="gain")
    others = [
        make_study(f"b{n}", 0.001 * (-1) ** n, error=0.0045, p_value=0.8, verdict="undecided")
        for n in range(10)
    ]
    found = tell_history([lucky, *others])
    (claim,) = found.claims
    assert (claim.claimed, claim.stands, claim.source) == ("gain", False, "compare")
    assert "does not stand today" in claim.text
    assert "1 of 1 claim" in found.answer
    assert found.best.is_empty()


def test_a_claim_of_a_declared_look_is_held_against_today():
    then = make_study("a", 0.001, p_value=0.7, verdict="undecided", claimed="gain")
    (claim,) = tell_history([then]).claims
    assert (claim.source, claim.stands) == ("look", False)
    assert "the same comparison says undecided" in claim.text


def test_a_claim_that_stands_is_said_once():
    strong = make_study("a", 0.03, p_value=1e-4, claimed="gain")
    (claim,) = tell_history([strong]).claims
    assert claim.stands
    assert claim.source == "look"


def test_a_study_without_an_interval_counts_nowhere():
    found = tell_history([make_study("a"), make_study("b", error=None, verdict="undecided")])
    assert found.studies.filter(engine="b").row(0, named=True)["p_adjusted"] is None
    assert found.studies["engine"].to_list() == ["a", "b"]
    assert found.kinds[0].studies == 1
    assert any("no interval" in text for text in found.warnings)


def test_a_gain_and_a_loss_change_places_with_the_sign():
    effects = (0.02, 0.03, 0.01, 0.025)
    one = tell_history([make_study(n, e) for n, e in zip("abcd", effects, strict=True)])
    other = tell_history(
        [make_study(n, -e, verdict="loss") for n, e in zip("abcd", effects, strict=True)]
    )
    assert (one.kinds[0].verdict, other.kinds[0].verdict) == ("gain", "loss")
    assert other.best.is_empty()
    assert one.best.height == 4


def test_a_small_effect_known_well_is_no_change_that_matters():
    studies = [make_study(n, 0.001, error=0.0003, p_value=0.001) for n in "abcdef"]
    assert tell_history(studies).kinds[0].verdict == "no_meaningful_change"


def test_a_moderator_is_found_from_ten_engines_on():
    sizes = [1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2]
    noise = [0.001, -0.001, 0.0005, -0.0005] * 3
    studies = [
        make_study(
            f"e{at}",
            0.005 * size + noise[at],
            error=0.001,
            moderators={"displacement_l": size, "manifold_pressure_kpa": 180.0},
        )
        for at, size in enumerate(sizes)
    ]
    found = {one.moderator: one for one in tell_history(studies).moderators}
    slope = found["displacement_l"]
    assert slope.low_pct < 100 * math.expm1(0.005) < slope.high_pct
    assert slope.p_adjusted < 0.001
    assert "goes with the effect" in slope.text
    assert found["manifold_pressure_kpa"].slope_pct is None
    assert "nearly the same" in found["manifold_pressure_kpa"].text
    few = {one.moderator: one for one in tell_history(studies[:9]).moderators}
    assert few["displacement_l"].slope_pct is None


def test_nothing_to_put_together_is_said():
    found = tell_history(
        [], [LeftOut(study=PastStudy(engine="a", baseline="x", candidate="y"), why="excluded")]
    )
    assert "nothing can be said" in found.answer
    assert found.left_out.rows() == [("a", "x", "y", "excluded")]
    assert found.to_dict()["studies"] == []
