from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from scipy.stats import t as student_t
from studies import RPM, Day, frames_of, laid_out, wiggle

from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.effect import estimate_effect
from dynostats.analysis.planning.cell import assume_noise, learn_cell_noise
from dynostats.analysis.planning.design import measure_precision
from dynostats.analysis.planning.plan import Aim, make_plan
from dynostats.analysis.planning.power import detectable_ratio
from dynostats.analysis.planning.run_sheet import Names, lay_run_sheet
from dynostats.analysis.planning.scope import choose_scope, cut_to_plan
from dynostats.errors import AnalysisError

SD = 0.005
NAMES = Names(engine="mill", dyno="cell", baseline="old", candidate="new", session="d9")


def history(sessions=20, run="CCCC", **options):
    """Return many sessions of one setup as curves, noise SD 0.4% at each speed."""
    days = [
        Day(run=run, session=f"d{number}", shift=0.004 * number, **options)
        for number in range(sessions)
    ]
    return curve_set(*frames_of(*days, seed=3))


def test_two_pulls_a_side_without_history_are_a_t_test_with_two_df():
    precision = measure_precision([tuple("ABBA")], assume_noise())
    assert precision.standard_error == pytest.approx(SD)  # SD * sqrt(2 / 2)
    assert precision.df == 2
    assert not precision.drift_fitted
    expected = 100 * math.expm1(detectable_ratio(df=2, alpha=0.025, power=0.8) * SD)
    assert precision.detectable_pct(alpha=0.025, power=0.8) == pytest.approx(expected)


def test_an_unbalanced_order_pays_for_its_drift():
    balanced = measure_precision([tuple("ABBAABBA")], assume_noise())
    blocks = measure_precision([tuple("AAAABBBB")], assume_noise())
    assert blocks.drift_fitted
    assert blocks.df == balanced.df - 1
    # Regression of 8 places on setup and order: squared correlation 16/21, so 1 / (1 - 16/21).
    inflation = (blocks.standard_error / balanced.standard_error) ** 2
    assert inflation == pytest.approx(21 / 5)


def test_a_single_pair_without_history_carries_no_interval():
    assert measure_precision([tuple("AB")], assume_noise()) is None


def test_pairs_over_sessions_are_a_paired_t_test():
    precision = measure_precision([tuple("AB"), tuple("BA"), tuple("AB")], assume_noise())
    assert precision.df == 2
    # The tables' 3.26 SD of the differences; the SD of a difference is SD x sqrt 2.
    seen = math.log1p(precision.detectable_pct(alpha=0.05, power=0.8) / 100)
    assert seen / (SD * math.sqrt(2)) == pytest.approx(3.26, abs=0.005)


def test_with_history_more_df_and_the_cells_own_noise():
    noise = learn_cell_noise(history(), "mill")
    assert noise.learned
    assert noise.pull_df == 20 * 3
    # Band mean of `wiggle`: half its variance is common, the rest is 4 bends of 500 rpm averaged.
    simulated = _mean_sd()
    assert math.sqrt(noise.pull) == pytest.approx(simulated, rel=0.25)  # 2.7 SE of 60 df
    precision = measure_precision([tuple("AB")], noise)
    # One place apart, a pair collects one step of drift beside the noise of two pulls.
    assert precision.standard_error == pytest.approx(math.sqrt(2 * noise.pull + noise.drift))
    assert precision.df > 10


def _mean_sd():

    rng = np.random.default_rng(0)
    return np.std([wiggle(rng, RPM, 0.004).mean() for _ in range(4000)])


@pytest.mark.parametrize(
    ("sessions", "run"), [(4, "AB"), (20, "AB"), (4, "ABBA"), (20, "ABBABAAB")]
)
def test_the_t_quantile_is_near_the_critical_value_of_a_comparison(run, sessions):
    """The plan's t test stands for the simulated critical value of the band mean."""
    past = history(sessions)
    noise = learn_cell_noise(past, "mill")
    days = [Day(run="CCCC", session=f"d{n}", shift=0.004 * n) for n in range(sessions)]
    everything = curve_set(*frames_of(*days, Day(run=run, session="study"), seed=3))
    study = everything.take(np.array([name == "study" for name in everything.session]))
    effect = estimate_effect(everything, study, baseline="A", candidate="B", alpha=0.05, draws=4000)
    precision = measure_precision([tuple(run)], noise)
    planned = float(student_t.isf(0.025 / 2, precision.df))
    assert planned > 1.05 * float(norm.isf(0.025 / 2))
    assert effect.means_factor == pytest.approx(planned, rel=0.1)


def test_the_fewest_pulls_that_do_are_found():
    for effect in (0.8, 1.5, 3.0):
        plan = make_plan(Aim(effect_pct=effect), assume_noise(), seed=1)
        seen = dict(plan.detectable.select("n", "pct").iter_rows())
        assert seen[plan.pulls_per_setup] <= effect
        before = seen.get(plan.pulls_per_setup - 1)
        assert before is None or before > effect
        assert plan.power >= 0.8


def test_more_pulls_see_less():
    plan = make_plan(Aim(effect_pct=1.2), assume_noise(), seed=1)
    seen = plan.detectable["pct"].drop_nulls().to_numpy()
    assert (np.diff(seen) < 0).all()
    assert plan.detectable["pct"][0] is None


def test_never_alternating_costs():
    noise = replace(assume_noise(), session_df=12)
    plan = make_plan(Aim(effect_pct=1.5), noise, seed=1)
    blocks, days = plan.shortcuts
    assert blocks.pulls_per_setup > 2 * plan.pulls_per_setup
    assert days.pulls_per_setup is None
    # However many pulls: two days differ by the session SD times sqrt 2.
    floor = 100 * math.expm1(detectable_ratio(df=12, alpha=0.025, power=0.8) * 0.007 * math.sqrt(2))
    assert days.detectable_pct > 0.9 * floor
    assert "no number of pulls" in days.text


def test_unknown_days_are_said_to_be_undecidable():
    _, days = make_plan(Aim(effect_pct=1.5), assume_noise(), seed=1).shortcuts
    assert days.detectable_pct is None
    assert "undecided whatever comes out" in days.text


def test_sessions_are_kept_apart_and_counted_together():
    plan = make_plan(Aim(effect_pct=1.0, sessions=3), assume_noise(), seed=1)
    assert len(plan.orders) == 3
    assert plan.pulls_per_setup == sum(order.count("A") for order in plan.orders)
    told = plan.to_dict()
    assert told["sessions"] == 3
    assert told["order"].count("B") == plan.pulls_per_setup


def test_what_cannot_be_seen_is_refused():
    noise = replace(assume_noise(), refit=0.01**2)
    with pytest.raises(AnalysisError, match="no number of pulls in 1 session sees 1%"):
        make_plan(Aim(effect_pct=1.0), noise, seed=1)
    plan = make_plan(Aim(effect_pct=1.0, sessions=30), noise, seed=1)
    assert plan.power >= 0.8


@pytest.mark.parametrize(
    "wrong",
    [
        {"effect_pct": 0.0},
        {"effect_pct": float("nan")},
        {"effect_pct": 1.0, "power": 1.0},
        {"effect_pct": 1.0, "alpha": 0.0},
        {"effect_pct": 1.0, "sessions": 0},
    ],
)
def test_aims_out_of_range_are_refused(wrong):
    with pytest.raises(AnalysisError, match="must"):
        Aim(**wrong)


def test_an_engine_shown_to_be_noisier_is_planned_for_alone():
    quiet = [Day(run="CCCC", session=f"q{n}", engine="quiet", sd=0.001) for n in range(8)]
    loud = [Day(run="CCCC", session=f"l{n}", engine="loud", sd=0.01) for n in range(8)]
    curves = curve_set(*frames_of(*quiet, *loud, seed=5))
    both, alone = (learn_cell_noise(curves, name) for name in ("quiet", "loud"))
    assert alone.pull > 1.5 * both.pull
    assert "left out" in alone.source


def test_too_little_history_leaves_the_assumption():
    noise = learn_cell_noise(history(1, run="CC"), "mill")
    assert not noise.learned
    assert noise.pull == assume_noise().pull


def test_scope_is_where_most_pulls_are():
    pulls = pl.DataFrame(
        {
            "engine": ["a", "a", "b", "b", "b", "b", "c"],
            "dyno": ["x", "x", "y", "y", "y", "y", "x"],
            "setup": ["s", "t", "s", "s", "s", "s", "u"],
        }
    )
    free = choose_scope(pulls, engine=None, dyno=None, baseline=None)
    assert (free.engine, free.dyno, len(free.notes)) == ("b", "y", 1)
    by_setup = choose_scope(pulls, engine=None, dyno="x", baseline="u")
    assert (by_setup.engine, by_setup.notes) == ("c", ())
    new = choose_scope(pulls, engine="new", dyno="x", baseline=None)
    assert (new.engine, new.dyno) == ("new", "x")
    assert "No pull of engine 'new' is stored yet" in new.notes[0]
    empty = choose_scope(pulls.clear(), engine=None, dyno=None, baseline=None)
    assert (empty.engine, empty.dyno, empty.notes) == (None, None, ())


def test_the_band_is_what_most_pulls_of_the_engine_cover():
    curves = laid_out("CCCC", curves=np.zeros((4, len(RPM))), rpm=RPM)
    curves.log_torque[0, :20] = np.nan  # one pull that began late
    assert len(cut_to_plan(curves, "e", None).rpm) == len(RPM)
    assert cut_to_plan(curves, "e", (2500.0, 3000.0)).rpm.tolist() == RPM[10:21].tolist()
    with pytest.raises(AnalysisError, match="fewer than four grid speeds"):
        cut_to_plan(curves, "e", (8000.0, 9000.0))


def test_a_run_sheet_holds_every_pull_in_order():
    rows = lay_run_sheet([tuple("ABBA"), tuple("BAAB")], NAMES)
    compared = [row for row in rows if row.order is not None]
    assert [row.setup for row in compared] == [
        *("old", "new", "new", "old"),
        *("new", "old", "old", "new"),
    ]
    assert [row.order for row in compared] == [1, 2, 3, 4] * 2
    assert {row.session for row in rows} == {"d9-1", "d9-2"}
    assert len({row.file for row in rows}) == len(rows)
    assert [row.role for row in rows[:3]] == ["warm_up", "warm_up", "A"]
    assert rows[-1].role == "cool_down"
    assert rows[3].note == "fit new"
