"""One pull filed twice is no repeat: it must not make the noise look like nothing."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from studies import RPM, Day, curves_of, frames_of, history, wiggle

from dynostats.analysis.compare import compare
from dynostats.analysis.copies import find_copies
from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.question import Question
from dynostats.analysis.repeatability import measure_repeatability
from dynostats.errors import AnalysisError

ASKED = Question(engine="mill", baseline="A", candidate="B")


def copied(pulls, curves, copy, first, *, rounding=1e-5):
    """Give one pull the readings of another, as another program would round them."""
    source = curves.filter(pull=first)
    rng = np.random.default_rng(2)
    noisy = source["torque"] * (1.0 + rng.normal(0.0, rounding, source.height))
    again = source.with_columns(pull=pl.lit(copy), torque=noisy)
    return pulls, pl.concat([curves.filter(pl.col("pull") != copy), again])


def test_a_copy_is_found_whatever_its_rounding_and_what_it_covers():
    rng = np.random.default_rng(1)
    logs = np.array([wiggle(rng, RPM, 0.002) for _ in range(6)])
    logs[3] = logs[1] + rng.normal(0.0, 5e-5, len(RPM))
    logs[3, :10] = np.nan
    logs[5] = logs[1]
    curves = curves_of(logs, session=["s"] * 6, setup=list("ABABAB"), rpm=RPM)
    assert find_copies(curves) == {"p3": "p1", "p5": "p1"}


@pytest.mark.parametrize("covered", ["all", "four begin late", "each its own"])
@pytest.mark.parametrize("seed", range(12))
def test_copies_are_those_that_comparing_every_pair_finds(seed, covered):
    rng = np.random.default_rng(seed)
    count = 40
    logs = rng.normal(0.0, 0.002, (count, 1)) + rng.normal(0.0, 0.001, (count, 21))
    for _ in range(14):
        copy, first = rng.choice(count, 2, replace=False)
        # Some nearer than 1e-4 root mean square, some not.
        logs[copy] = logs[first] + rng.normal(0.0, rng.choice([5e-5, 2e-4]), 21)
    if covered == "four begin late":
        logs[rng.choice(count, 4, replace=False), :6] = np.nan
    elif covered == "each its own":
        for row in logs:
            row[: rng.integers(0, 9)] = np.nan
            row[rng.integers(12, 22) :] = np.nan
    setup = rng.choice(list("AB"), count).tolist()
    expected = {}
    for one in range(count):
        for other in range(one + 1, count):
            shared = np.isfinite(logs[one] - logs[other])
            if shared.sum() < 10:
                continue
            away = np.sqrt(((logs[one] - logs[other])[shared] ** 2).mean())
            if setup[one] == setup[other] and away <= 1e-4 and f"p{one}" not in expected:
                expected.setdefault(f"p{other}", f"p{one}")
    curves = curves_of(logs, session=["s"] * count, setup=setup, rpm=RPM[:21])
    assert find_copies(curves) == expected
    assert seed or expected


def test_pulls_that_repeat_twice_as_well_as_usual_are_still_two():
    rng = np.random.default_rng(3)
    logs = np.array([wiggle(rng, RPM, 0.002) for _ in range(200)])
    curves = curves_of(logs, session=["s"] * 200, setup=["A"] * 200, rpm=RPM)
    assert find_copies(curves) == {}  # of 19,900 pairs


def test_the_same_readings_of_another_engine_or_setup_are_no_copy():
    logs = np.zeros((3, len(RPM)))
    engines = ["e", "f", "e"]
    curves = curves_of(logs, session=["s"] * 3, setup=list("AAB"), engine=engines, rpm=RPM)
    assert find_copies(curves) == {}


def test_copies_in_a_study_change_nothing_but_what_is_said():
    plain = frames_of(Day(run="ABBA", session="today", effect=0.02), *history())
    more = frames_of(Day(run="ABBAAB", session="today", effect=0.02), *history())
    pulls, curves = copied(*more, "mill-today-5", "mill-today-1")
    pulls, curves = copied(pulls, curves, "mill-today-6", "mill-today-2")
    kept = pl.col("pull").is_in(plain[0]["pull"].to_list())
    alone = compare(pulls.filter(kept), curves.filter(kept), ASKED, draws=500)
    found = compare(pulls, curves, ASKED, draws=500)
    assert found.overall == alone.overall
    assert (found.pulls.baseline, found.pulls.candidate) == (2, 2)
    (told,) = [text for text in found.warnings if "copies" in text]
    assert "mill-today-5 (of mill-today-1)" in told
    assert "mill-today-6 (of mill-today-2)" in told


def test_copies_do_not_stand_in_for_repeats():
    # One pull a side, each filed four times under other names: nothing is known of the noise.
    pulls, curves = frames_of(Day(run="ABABABAB", session="today", effect=0.02))
    for number in range(3, 9):
        first = f"mill-today-{2 - number % 2}"
        pulls, curves = copied(pulls, curves, f"mill-today-{number}", first)
    found = compare(pulls, curves, ASKED, draws=500)
    assert found.verdict == "undecided"
    assert found.overall.low_pct is None


def test_copies_do_not_sharpen_the_noise_of_the_cell():
    pulls, curves = frames_of(*history(days=4, run="CCCC"))
    more = copied(pulls, curves, "mill-past-0-4", "mill-past-0-3")
    found = measure_repeatability(curve_set(*more))
    without = curve_set(pulls.filter(pl.col("pull") != "mill-past-0-4"), curves)
    alone = measure_repeatability(without)
    assert found.pull_df == alone.pull_df
    assert found.overall == alone.overall
    assert any("mill-past-0-4 (of mill-past-0-3)" in text for text in found.warnings)


def test_where_only_copies_repeat_the_noise_is_unknown_and_says_why():
    pulls, curves = frames_of(Day(run="AA", session="today"))
    more = copied(pulls, curves, "mill-today-2", "mill-today-1")
    with pytest.raises(AnalysisError, match="pulled twice") as told:
        measure_repeatability(curve_set(*more))
    assert "mill-today-2 (of mill-today-1)" in told.value.mend
