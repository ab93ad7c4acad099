from __future__ import annotations

import numpy as np
import published
import pytest
from scipy.stats import t as student_t
from studies import curves_of, laid_out, wiggle

from dynostats.analysis.effect import estimate_effect, estimate_effects
from dynostats.simulate import CurveNoise, lay_out, simulate_curves

SPEEDS = np.arange(2000.0, 6001.0, 200.0)


def effect_of(everything, study=None, **options):
    settings = {"baseline": "A", "candidate": "B", "alpha": 0.05, "draws": 2000} | options
    return estimate_effect(everything, everything if study is None else study, **settings)


def shoes():
    """Return the two shoes of each boy as two pulls of one session, run order unknown."""
    values = np.array([published.SHOES_A, published.SHOES_B]).T.ravel()
    boys = [f"boy {number}" for number in range(10) for _ in "AB"]
    return curves_of(values[:, None], session=boys, setup=["A", "B"] * 10)


def tomatoes():
    values = np.array([*published.TOMATO_A, *published.TOMATO_B])
    setup = ["A"] * len(published.TOMATO_A) + ["B"] * len(published.TOMATO_B)
    return curves_of(values[:, None], session=["plot"] * 11, setup=setup)


def machines(*names):
    cells = {key: cell for key, cell in published.MACHINES.items() if key[0] in names}
    return curves_of(
        np.array([[value] for cell in cells.values() for value in cell]),
        session=[worker for (_, worker), cell in cells.items() for _ in cell],
        setup=[machine for (machine, _), cell in cells.items() for _ in cell],
    )


def share_beyond(effect, critical):
    """Return the share of simulated errors beyond a value, at the one speed there is."""
    return float(np.mean(np.abs(effect.draws.curve) > critical))


def test_paired_shoes_give_the_published_t():
    effect = effect_of(shoes(), draws=20_000)
    assert effect.contrast.kind == "same_session"
    assert effect.curve[0] == pytest.approx(published.SHOES_MEAN)
    assert effect.spread.curve[0] == pytest.approx(published.SHOES_SE, rel=1e-10)
    assert effect.curve[0] / effect.spread.curve[0] == pytest.approx(published.SHOES_T, rel=1e-10)
    # 20,000 draws over 2,222 simulated variances: 4 standard errors at most.
    allowed = 4.0 * np.sqrt(0.05 * 0.95 / 2222)
    critical = student_t.ppf(0.975, published.SHOES_DF)
    assert abs(share_beyond(effect, critical) - 0.05) < allowed


def test_shoes_with_the_order_of_pulls_and_materials_mixed_up_say_the_same():
    curves = shoes()
    turned = curves.take(np.random.default_rng(1).permutation(len(curves)))
    effect = effect_of(turned)
    assert effect.curve[0] / effect.spread.curve[0] == pytest.approx(published.SHOES_T, rel=1e-10)


def test_tomatoes_in_one_plot_give_the_published_pooled_t():
    effect = effect_of(tomatoes(), draws=20_000)
    assert effect.curve[0] == pytest.approx(published.TOMATO_DIFFERENCE)
    assert effect.curve[0] / effect.spread.curve[0] == pytest.approx(published.TOMATO_T, rel=1e-10)
    allowed = 4.0 * np.sqrt(0.05 * 0.95 / 2222)
    critical = student_t.ppf(0.975, published.TOMATO_DF)
    assert abs(share_beyond(effect, critical) - 0.05) < allowed


@pytest.mark.parametrize(
    ("candidate", "difference"), [("B", published.MACHINES_B), ("C", published.MACHINES_C)]
)
def test_machines_give_the_published_difference(candidate, difference):
    curves = machines("A", "B", "C")
    found = effect_of(curves, candidate=candidate)
    assert found.curve[0] == pytest.approx(difference)
    # Every worker ran every machine three times: the published standard error is that of the
    # residual over 18 + 18 scores.
    assert found.contrast.factor("pull") == pytest.approx(2.0 / 18.0)
    assert found.contrast.factor("session") == pytest.approx(0.0, abs=1e-20)
    se = np.sqrt(found.contrast.factor("pull") * published.MACHINES_RESIDUAL)
    assert se == pytest.approx(published.MACHINES_SE, rel=1e-7)


def test_an_interaction_of_machine_and_worker_is_not_taken_for_repeat_error():
    # Scores repeat within 1, but machines differ from worker to worker by more: the refit layer
    # stands out, and the standard error is that of six paired differences of worker means (5 df),
    # the classical analysis of such a design (e.g. Montgomery, mixed model: MS of interaction).
    found = effect_of(machines("A", "B"))
    means = {key: np.mean(cell) for key, cell in published.MACHINES.items()}
    difference = [means["B", str(worker)] - means["A", str(worker)] for worker in range(1, 7)]
    assert found.noise.refit is not None
    expected = np.std(difference, ddof=1) / np.sqrt(6)
    assert found.spread.curve[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("pulls", "case"), [(11, (2, 30)), (6, (5, 30))])
def test_several_candidates_against_one_baseline_keep_dunnetts_family(pulls, case):
    # k candidates and the baseline, as many pulls of each in one session: 30 df in all.
    setups = "ABCDEF"[: case[0] + 1]
    rng = np.random.default_rng(case[0])
    curves = curves_of(
        rng.normal(size=(pulls * len(setups), 1)),
        session=["s"] * pulls * len(setups),
        setup=list(setups) * pulls,
    )
    effects = estimate_effects(
        curves, curves, baseline="A", candidates=tuple(setups[1:]), alpha=0.05, draws=20_000
    )
    largest = np.max([np.abs(effect.draws.curve).max(axis=(1, 2)) for effect in effects], axis=0)
    # 20,000 draws over 666 simulated variances: their share beyond repeats within 4 errors.
    by_world = (largest[: 666 * 30] > published.DUNNETT[case]).reshape(30, 666).mean(axis=0)
    allowed = 4.0 * by_world.std(ddof=1) / np.sqrt(666)
    assert abs(by_world.mean() - 0.05) < allowed


def study_of(*layout, seed=0, sd=0.004, effect=0.0, drift=0.0):
    rng = np.random.default_rng(seed)
    rows = [
        wiggle(rng, SPEEDS, sd) + effect * (setup == "B") + drift * place
        for run in layout
        for place, setup in enumerate(run)
    ]
    return laid_out(*layout, curves=np.array(rows) + 5.9, rpm=SPEEDS)


@pytest.mark.parametrize("run", ["AABB", "ABBA", "AAABBB", "ABAB"])
def test_a_straight_drift_does_not_get_into_the_effect(run):
    still, moving = (study_of(run, seed=2, drift=drift) for drift in (0.0, -0.01))
    np.testing.assert_allclose(effect_of(moving).curve, effect_of(still).curve, atol=1e-12)


LAYOUTS = [("ABBA", "BAAB"), ("AAABBB",), ("AB", "BA", "AB", "BA"), ("ACCAA", "BCCBB")]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_swapping_the_setups_flips_every_sign(layout):
    curves = study_of(*layout, effect=0.02)
    one = effect_of(curves)
    other = effect_of(curves, baseline="B", candidate="A")
    np.testing.assert_allclose(other.curve, -one.curve, atol=1e-12)
    assert other.means[0] == pytest.approx(-one.means[0])
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-9)
    assert other.curve_factor == pytest.approx(one.curve_factor, rel=0.01)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_more_torque_on_every_curve_changes_nothing(layout):
    curves = study_of(*layout, effect=0.02)
    tall = laid_out(*layout, curves=curves.log_torque + 2.0 + 1e-4 * SPEEDS, rpm=SPEEDS)
    one, other = effect_of(curves), effect_of(tall)
    np.testing.assert_allclose(other.curve, one.curve, atol=1e-10)
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-8)
    assert other.means[0] == pytest.approx(one.means[0])


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_larger_effect_moves_the_curve_and_not_its_error(layout):
    small, large = study_of(*layout, effect=0.0), study_of(*layout, effect=0.05)
    one, other = effect_of(small), effect_of(large)
    np.testing.assert_allclose(other.curve - one.curve, 0.05, atol=1e-12)
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-9)


@pytest.mark.parametrize("layout", LAYOUTS[:3])
def test_a_better_session_moves_nothing_where_the_setups_met(layout):
    curves = study_of(*layout)
    shift = np.array([0.03 * int(name[1:]) for name in curves.session])
    moved = laid_out(*layout, curves=curves.log_torque + shift[:, None], rpm=SPEEDS)
    one, other = effect_of(curves), effect_of(moved)
    np.testing.assert_allclose(other.curve, one.curve, atol=1e-12)
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-8)


def with_history(study, days, **options):
    """Put past days of a reference setup C behind a study's pulls."""
    past = study_of(*["CCC"] * days, seed=7, **options)
    return curves_of(
        np.concatenate([study.log_torque, past.log_torque]),
        session=[*study.session, *(f"past {name}" for name in past.session)],
        setup=[*study.setup, *past.setup],
        order=[*study.order, *past.order],
        rpm=study.rpm,
    )


def test_the_order_in_which_the_warehouse_lists_pulls_changes_nothing():
    study = study_of("ABBA", effect=0.01)
    everything = with_history(study, 6)
    turned = everything.take(np.random.default_rng(3).permutation(len(everything)))
    one, other = effect_of(everything, study), effect_of(turned, study)
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-8)
    np.testing.assert_allclose(other.spread.means, one.spread.means, rtol=1e-8)


def test_one_pull_a_side_without_history_has_no_interval():
    effect = effect_of(study_of("AB"))
    assert effect.spread is None
    assert effect.curve_factor is None
    assert effect.means_factor is None
    assert "how far pulls repeat" in effect.lacking


def test_one_pull_a_side_lives_on_history():
    study = study_of("AB", effect=0.05)
    effect = effect_of(with_history(study, 8), study)
    assert effect.spread.history_weight == 1.0
    assert (effect.curve - effect.curve_factor * effect.spread.curve > 0.0).all()


def test_setups_that_never_met_need_days_that_differ_to_be_known():
    study = study_of("AAA", "BBB", effect=0.05)
    alone = effect_of(study)
    assert alone.contrast.kind == "different_sessions"
    assert "never pulled in the same session" in alone.lacking
    few, enough = (effect_of(with_history(study, days), study) for days in (3, 8))
    assert "never pulled in the same session" in few.lacking
    assert enough.lacking == ""
    assert enough.contrast.factor("session") == pytest.approx(2.0)


def test_more_pulls_on_the_same_two_days_do_not_remove_the_days():
    # Session SD 1% against pull SD 0.2%: 2 or 12 pulls a day, the error stays about sqrt 2 x 1%.
    rng = np.random.default_rng(4)
    past = study_of(*["CCC"] * 12, seed=5, sd=0.002)
    days = np.repeat(rng.normal(0.0, 0.01, 12), 3)
    for count in (2, 12):
        study = study_of("A" * count, "B" * count, sd=0.002)
        everything = curves_of(
            np.concatenate([study.log_torque, past.log_torque + days[:, None]]),
            session=[*study.session, *(f"past {name}" for name in past.session)],
            setup=[*study.setup, *past.setup],
            order=[*study.order, *past.order],
            rpm=SPEEDS,
        )
        spread = effect_of(everything, study).spread
        # 11 df: a chi-square variance lies within 0.24 to 2.4 times the truth at 99.8%.
        assert 0.01 * np.sqrt(2 * 0.24) < spread.means[0] < 0.01 * np.sqrt(2 * 2.4) * 1.1


def test_a_linked_comparison_carries_the_noise_of_four_pulls():
    effect = effect_of(study_of("ACAC", "BCBC"))
    assert effect.contrast.kind == "linked_sessions"
    assert effect.contrast.factor("session") == pytest.approx(0.0, abs=1e-20)
    assert effect.lacking == ""


def test_the_same_question_gets_the_same_answer():
    curves = study_of("ABBAAB")
    one, other = effect_of(curves), effect_of(curves)
    assert (one.curve_factor, one.means_factor) == (other.curve_factor, other.means_factor)


def test_abba_without_history_has_an_interval():
    # Two pulls a side, returned to the baseline: the design that the product itself advises. The
    # classical analysis has 1 df with a drift fitted and 2 df without; wide, but an answer.
    effect = effect_of(study_of("ABBA"))
    assert effect.lacking == ""


def test_knowing_the_run_order_never_takes_the_interval_away():
    known = study_of("ABBA")
    unknown = curves_of(known.log_torque, session=known.session, setup=known.setup, rpm=SPEEDS)
    assert effect_of(unknown).spread is not None
    assert effect_of(known).spread is not None


def at_speeds(curves, low, high, rows):
    """Return the curves with the given pulls covering only some speeds."""
    holed = curves.log_torque.copy()
    outside = (curves.rpm < low) | (curves.rpm > high)
    holed[np.ix_(rows, outside)] = np.nan
    return curves_of(
        holed,
        session=curves.session,
        setup=curves.setup,
        engine=curves.engine,
        order=curves.order,
        rpm=curves.rpm,
    )


@pytest.mark.parametrize("run", ["AB", "ABBA"])
def test_history_that_ends_early_makes_no_speed_certain(run):
    # Past pulls end at 3600 rpm, the study runs to 9000 rpm. Above 3600 rpm nothing is known of
    # how far pulls repeat but from the study itself: the standard error there cannot be far below
    # the one where history does reach, for the noise of this study is the same at every speed.
    rpm = np.arange(2000.0, 9001.0, 200.0)
    rng = np.random.default_rng(11)
    layout = [run, *["CCC"] * 8]
    pulls = sum(len(day) for day in layout)
    curves = laid_out(
        *layout, curves=np.array([wiggle(rng, rpm, 0.004) for _ in range(pulls)]), rpm=rpm
    )
    study = curves.take(np.arange(len(run)))
    everything = at_speeds(curves, 2000.0, 3600.0, np.arange(len(run), pulls))
    effect = effect_of(everything, study)
    if effect.spread is not None:
        low = effect.spread.curve[rpm <= 3600.0]
        high = effect.spread.curve[rpm > 3600.0]
        assert high.min() > 0.3 * low.min()
        assert low.max() < 0.05


def test_one_short_pull_of_the_past_does_not_hide_how_far_days_differ():
    # Days differ by 1%; one more past pull that ends early must not make the interval narrower.
    rpm = np.arange(2000.0, 9001.0, 200.0)
    rng = np.random.default_rng(12)
    layout = ["AAA", "BBB", *["CC"] * 7, "CCC"]
    rows = []
    for day in layout:
        shift = 0.01 * rng.normal()
        rows += [shift + wiggle(rng, rpm, 0.002) for _ in day]
    curves = laid_out(*layout, curves=np.array(rows), rpm=rpm)
    study = curves.take(np.arange(6))
    last = np.array([len(curves) - 1])
    whole = effect_of(curves.take(np.arange(len(curves) - 1)), study)
    short = effect_of(at_speeds(curves, 2000.0, 4400.0, last), study)
    assert (short.spread.curve > 0.7 * whole.spread.curve).all()


def test_which_engine_the_warehouse_lists_first_changes_nothing():
    # 20 past days of five pulls of an engine that ends at 4000 rpm, and 3 days of one that runs as
    # high as the study: the same pulls listed in another order are the same pulls.
    rpm = np.arange(2000.0, 7001.0, 200.0)
    rng = np.random.default_rng(13)
    layout = ["ABBA", *["CCCCC"] * 20, *["DDD"] * 3]
    pulls = sum(len(day) for day in layout)
    curves = laid_out(
        *layout,
        curves=np.array([wiggle(rng, rpm, 0.004) for _ in range(pulls)]),
        rpm=rpm,
        engine=["mill"] * 4 + ["truck"] * 100 + ["petrol"] * 9,
    )
    study = curves.take(np.arange(4))
    everything = at_speeds(curves, 2000.0, 4000.0, np.arange(4, 104))
    turned = everything.take(np.r_[np.arange(4), np.arange(104, 113), np.arange(4, 104)])
    one, other = (effect_of(c, study, draws=5_000) for c in (everything, turned))
    np.testing.assert_allclose(other.spread.curve, one.spread.curve, rtol=1e-8)
    # The 95% point of 5,000 draws from 416 simulated worlds repeats within 5%.
    assert other.curve_factor == pytest.approx(one.curve_factor, rel=0.05)
    assert other.means_factor == pytest.approx(one.means_factor, rel=0.05)


def coverage(layout, past, noise, *, studies, seed):
    """Return how many of the studies hold the whole true curve and band mean in their bounds."""
    truth = 0.01 + 0.02 * np.exp(-(((SPEEDS - 4500.0) / 800.0) ** 2))
    plan = lay_out(*layout, *past)
    shapes = np.zeros((26, len(SPEEDS)))
    shapes[1] = truth
    drawn = simulate_curves(
        plan, SPEEDS, noise, studies=studies, rng=np.random.default_rng(seed), setup_curves=shapes
    )
    own = plan.session < len(layout)
    held = 0
    for log_torque in drawn:
        everything = laid_out(*layout, *past, curves=5.9 + log_torque, rpm=SPEEDS)
        effect = effect_of(everything, everything.take(own), draws=600, seed=seed)
        error = effect.curve - truth
        inside = np.abs(error) <= effect.curve_factor * effect.spread.curve
        mean_inside = abs(error.mean()) <= effect.means_factor * effect.spread.means[0]
        held += bool(inside.all() and mean_inside)
    return held


@pytest.mark.parametrize(
    ("layout", "past"),
    [
        (("ABBA",), ("CCC",) * 8),
        (("AB",), ("CCC",) * 8),
        (("AAA", "BBB"), ("CCC",) * 8),
        (("ABBAAB",), ()),
        (("AB", "BA", "AB", "BA"), ()),
    ],
    ids=["abba and history", "1 v 1", "never met", "no history", "pairs over days"],
)
def test_the_truth_lies_inside_the_bounds_as_often_as_they_say(layout, past):
    # Nominal 95%. Of 60 studies a method that keeps its promise holds fewer than 50 with
    # probability 0.1% (binomial, 60, 0.95: P(X < 50) = 0.0005).
    noise = CurveNoise(pull_sd_pct=0.4, session_sd_pct=0.5, drift_pct_per_pull=0.0)
    assert coverage(layout, past, noise, studies=60, seed=21) >= 50


@pytest.mark.parametrize(
    ("layout", "past"),
    [
        (("AAAAABBBBB",), ()),
        (("AAAAABBBBB",), ("CCC",) * 10),
        (("ABBAABBA",), ("CCC",) * 10),
    ],
    ids=["blocks, no history", "blocks and history", "alternating and history"],
)
def test_a_steady_drift_is_not_claimed_as_an_effect(layout, past):
    # The cell loses 0.1% a pull, as the simulator's cells do by default: 0.5% between two blocks of
    # five. That past sessions of three pulls do not show so small a drift is no proof of none.
    noise = CurveNoise(pull_sd_pct=0.4, session_sd_pct=0.5, drift_pct_per_pull=-0.1)
    assert coverage(layout, past, noise, studies=60, seed=23) >= 50
