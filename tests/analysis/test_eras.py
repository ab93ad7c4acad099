"""A change of the cell: what lies on the two sides of it is not compared with each other.

Ground truth is simulated: the cell reads 2% more torque from a known day on, the engine is as it
was.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom
from studies import RPM, Day, frames_of, laid_out, wiggle

from dynostats.analysis.compare import compare
from dynostats.analysis.layers import split_layers
from dynostats.analysis.monitor import Break, mark_eras
from dynostats.analysis.question import Question

START = datetime(2025, 1, 6, 9)  # noqa: DTZ001 - the shop's clock
WEEK = timedelta(days=7)
STEP = 0.02


def calibration(week):
    at = START + (week - 0.5) * WEEK
    return Break(before=at, after=at, words="the calibration E1")


def cell(*runs, calibrated=None, step=STEP, seed=0, days_sd=0.002):
    """Return frames of one session a week; the cell reads `step` more from a week on."""
    rng = np.random.default_rng([seed, 5])
    shifts = rng.normal(scale=days_sd, size=len(runs))
    if calibrated is not None:
        shifts[calibrated:] += step
    days = [
        Day(run=run, session=f"w{week:02d}", shift=float(shift))
        for week, (run, shift) in enumerate(zip(runs, shifts, strict=True))
    ]
    pulls, curves = frames_of(*days, seed=seed)
    week = pl.col("session").str.slice(1, 2).cast(pl.Int64)
    return pulls.with_columns(
        started=START + WEEK * week + pl.duration(minutes=10) * pl.col("order")
    ), curves


def answer(frames, *breaks, draws=1000):
    pulls, curves = frames
    return compare(
        mark_eras(pulls, breaks),
        curves,
        Question(engine="mill", baseline="A", candidate="B"),
        draws=draws,
    )


def test_pulls_between_two_breaks_are_of_one_era():
    pulls, _ = cell("A", "A", "A", "A", "A")
    found = Break(before=START + WEEK + timedelta(hours=1), after=START + 3 * WEEK, words="found")
    eras = mark_eras(pulls, [found, calibration(4)])["era"].to_list()
    assert eras == [
        "0-0",
        "0-0",
        "1-0",
        "2-0",
        "2-2",
    ]  # the third lies inside the time of the change
    undated = pulls.with_columns(started=None)
    assert set(mark_eras(undated.cast({"started": pl.Datetime}), [found])["era"]) == {"undated"}
    assert mark_eras(pulls, []).equals(pulls)


def test_a_session_with_a_calibration_inside_is_two():
    pulls, _ = cell("AABB")
    noon = START + timedelta(minutes=25)
    marked = mark_eras(pulls, [Break(before=noon, after=noon, words="noon")])
    assert marked["session"].to_list() == ["w00", "w00", "w00 (part 2)", "w00 (part 2)"]


def test_a_change_between_the_setups_leaves_the_question_undecided():
    """Without the calibration on record the step of the cell is called a gain of the part."""
    frames = cell(*["AA"] * 8, *["BB"] * 8, calibrated=8)
    unaware = answer(frames)
    assert unaware.verdict == "gain"
    found = answer(frames, calibration(8))
    assert found.verdict == "undecided"
    assert found.overall.low_pct is None
    assert found.overall.high_pct is None
    assert all(region.verdict == "undecided" for region in found.regions)
    assert "the cell changed between all pulls of the one setup and all of the other" in found.why
    assert "Pull both setups in one session" in found.next


def test_no_claim_over_a_change_however_it_falls():
    for seed in range(10):
        frames = cell(*["AA"] * 6, *["BB"] * 6, calibrated=6, seed=seed)
        assert answer(frames, calibration(6), draws=200).verdict == "undecided"


def test_the_era_that_has_both_setups_answers():
    """The old days of the baseline carry the step; the era of both setups does not."""
    runs = (*["AA"] * 6, *["AA", "BB"] * 4)
    frames = [cell(*runs, calibrated=6, seed=seed) for seed in range(12)]
    mixed = [answer(one, draws=200) for one in frames]
    found = [answer(one, calibration(6), draws=200) for one in frames]
    assert np.mean([one.overall.effect_pct for one in mixed]) > 1.0
    assert abs(np.mean([one.overall.effect_pct for one in found])) < 0.2
    claims = [one.verdict in {"gain", "loss", "mixed"} for one in found]
    assert sum(claims) <= binom.ppf(0.999, len(claims), 0.05)
    assert all((one.pulls.baseline, one.pulls.candidate) == (8, 8) for one in found)
    assert any("12 more accepted pulls" in text for text in found[0].warnings)


def test_setups_that_met_on_both_sides_use_all_their_sessions():
    frames = cell("ABBA", "ABBA", calibrated=1)
    assert answer(frames, calibration(1)).pulls.baseline == 4
    assert answer(frames, calibration(1)).overall.effect_pct == pytest.approx(
        answer(frames).overall.effect_pct
    )


def test_a_calibration_within_the_session_parts_the_setups():
    frames = cell(*["CCC"] * 8, "AAABBB")
    at = START + 8 * WEEK + timedelta(minutes=35)
    found = answer(frames, Break(before=at, after=at, words="noon"))
    assert found.verdict == "undecided"
    assert "the cell changed" in found.why


def test_the_noise_of_days_does_not_hold_the_step():
    rng = np.random.default_rng(3)
    sessions = ["AAA"] * 30
    shift = np.repeat(rng.normal(scale=0.003, size=30) + STEP * (np.arange(30) >= 15), 3)
    curves = shift[:, None] + np.array([wiggle(rng, RPM, 0.002) for _ in range(90)])
    plain = laid_out(*sessions, curves=curves, rpm=RPM)
    marked = replace(plain, era=["old"] * 45 + ["new"] * 45)

    def session_sd(layers):
        contrasts, pulls = layers.session, layers.pull
        mean_square = (contrasts.curves**2).mean()
        return float(
            np.sqrt((mean_square - (pulls.curves**2).mean()) / contrasts.coefficient.mean())
        )

    assert session_sd(split_layers(plain)) > 0.008
    # 28 contrasts: the SD is known within about a quarter.
    assert session_sd(split_layers(marked)) == pytest.approx(0.003, rel=0.35)
    assert len(split_layers(plain).session) == 29
    assert len(split_layers(marked).session) == 28


def test_fitting_anew_is_learned_across_a_change_since_it_cancels_there():
    rng = np.random.default_rng(4)
    curves = rng.normal(size=(8, 3)) + np.repeat([0.0, 5.0], 4)[:, None]
    plain = laid_out("ABAB", "ABAB", curves=curves)
    marked = replace(plain, era=["old"] * 4 + ["new"] * 4)
    one, other = split_layers(plain), split_layers(marked)
    assert len(one.refit) == len(other.refit) == 1
    assert np.abs(one.refit.curves) == pytest.approx(np.abs(other.refit.curves))
    assert np.abs(one.refit.curves).max() < 4.0  # the step of 5 is not in it
    assert len(other.session) == 0
