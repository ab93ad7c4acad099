from __future__ import annotations

import json

import numpy as np
import polars as pl
import published
import pytest
from scipy.stats import chi2
from scipy.stats import t as student_t
from studies import curves_of, groups_of, laid_out, wiggle

from dynostats.analysis.cell_sums import sum_cells
from dynostats.analysis.repeatability import limit_factor, measure_repeatability
from dynostats.errors import AnalysisError
from dynostats.simulate import CurveNoise, lay_out, simulate_curves

RPM = np.arange(2000.0, 6001.0, 200.0)


def test_the_factor_of_the_limit_is_students_t_not_2_8():
    for df, factor in published.LIMIT_FACTORS.items():
        assert limit_factor(np.array([float(df)]))[0] == pytest.approx(factor, rel=1e-12)


def only_row(found):
    assert found.curve.height == 1
    return found.curve.row(0, named=True)


def test_sulfur_of_iso_5725():
    found = measure_repeatability(groups_of(published.SULFUR))
    row = only_row(found)
    s_r, s_l2 = published.SULFUR_S_R, published.SULFUR_S_L2
    assert (found.pull_df, found.session_df) == (19.0, 7.0)
    assert row["pull_sd_pct"] == pytest.approx(100.0 * s_r, rel=1e-10)
    assert row["session_sd_pct"] == pytest.approx(100.0 * np.sqrt(s_l2), rel=1e-10)
    limit = student_t.ppf(0.975, 19) * np.sqrt(2.0) * 100.0 * s_r
    assert row["repeatability_limit_pct"] == pytest.approx(limit, rel=1e-10)
    # Satterthwaite (1946), by hand: s_R^2 = (1 - 1/n) MS within + MS between / n, with the mean
    # group size n = (N - sum n^2 / N) / (p - 1) of ISO 5725-2, 7.4.5.
    sizes = np.array([len(group) for group in published.SULFUR.values()])
    n = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / 7.0
    parts = np.array([(1.0 - 1.0 / n) * s_r**2, (s_r**2 + n * s_l2) / n])
    df = parts.sum() ** 2 / (parts**2 / np.array([19.0, 7.0])).sum()
    assert np.sqrt(parts.sum()) == pytest.approx(published.SULFUR_S_REPRODUCIBILITY, rel=1e-10)
    limit = student_t.ppf(0.975, df) * np.sqrt(2.0 * parts.sum()) * 100.0
    assert row["reproducibility_limit_pct"] == pytest.approx(limit, rel=1e-8)


def test_glucose_of_astm_e691_differs_no_more_between_laboratories():
    found = measure_repeatability(groups_of(published.GLUCOSE_A))
    row = only_row(found)
    assert row["pull_sd_pct"] == pytest.approx(100.0 * published.GLUCOSE_S_R, rel=1e-10)
    assert row["session_sd_pct"] == 0.0
    assert found.overall.session_sd_pct == 0.0
    limits = row["reproducibility_limit_pct"], row["repeatability_limit_pct"]
    assert limits[0] == pytest.approx(limits[1]) or limits[0] > limits[1]
    assert any("set to zero" in text for text in found.warnings)


def warehouse(noise, *, sessions, run="CCC", seed=0):
    plan = lay_out(*[run] * sessions)
    drawn = simulate_curves(plan, RPM, noise, studies=1, rng=np.random.default_rng(seed))[0]
    return laid_out(*[run] * sessions, curves=5.9 + drawn, rpm=RPM)


def test_a_simulated_warehouse_gives_its_truth_back():
    # 80 days of three pulls: 80 df of the pull layer at each speed (a drift is looked for), 79 of
    # the session layer. 99.9% chi-square limits; pooling over speeds only narrows them.
    noise = CurveNoise(pull_sd_pct=0.4, session_sd_pct=0.6, drift_pct_per_pull=0.0)
    found = measure_repeatability(warehouse(noise, sessions=80))
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], 80) / 80.0)
    assert found.curve["pull_sd_pct"].is_between(0.4 * low, 0.4 * high).all()
    low, high = chi2.ppf([0.0005, 0.9995], 79) / 79.0
    mean_square = 0.4**2 + 3.0 * 0.6**2
    bounds = [np.sqrt((mean_square * factor - 0.4**2) / 3.0) for factor in (low, high)]
    assert found.curve["session_sd_pct"].is_between(*bounds).all()
    assert 0.4 * 0.8 < found.overall.pull_sd_pct < 0.4 * 1.2
    assert bounds[0] < found.overall.session_sd_pct < bounds[1]


def test_a_drift_within_the_session_is_not_taken_for_noise_between_pulls():
    noise = CurveNoise(pull_sd_pct=0.2, session_sd_pct=0.3, drift_pct_per_pull=-0.5)
    found = measure_repeatability(warehouse(noise, sessions=40, run="CCCC"))
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], 80) / 80.0)
    assert found.curve["pull_sd_pct"].is_between(0.2 * low, 0.2 * high).all()


def test_noise_that_grows_with_speed_is_seen_by_speed():
    noise = CurveNoise(
        pull_sd_pct=0.4, session_sd_pct=0.0, drift_pct_per_pull=0.0, top_over_bottom=4.0
    )
    sd = measure_repeatability(warehouse(noise, sessions=60)).curve["pull_sd_pct"]
    assert sd[-1] > 2.0 * sd[0]


def one_speed(rng, *, sessions, pulls, session_sd):
    values = rng.normal(size=(sessions, pulls)) + session_sd * rng.normal(size=(sessions, 1))
    return groups_of({str(day): row.tolist() for day, row in enumerate(values)})


def test_the_limit_holds_the_next_difference_of_two_pulls_as_often_as_it_says():
    # 4 df: 95% needs 3.93 s_r; 2.8 s_r would hold 88%. 400 warehouses; four standard errors.
    rng = np.random.default_rng(1)
    held = []
    for _ in range(400):
        found = measure_repeatability(one_speed(rng, sessions=2, pulls=3, session_sd=0.0))
        limit = found.curve["repeatability_limit_pct"][0] / 100.0
        held.append(np.mean(np.abs(np.diff(rng.normal(size=(50, 2)), axis=1)) <= limit))
    assert abs(np.mean(held) - 0.95) < 4.0 * np.std(held, ddof=1) / np.sqrt(400)
    assert np.mean(held) > 0.92


def test_the_intervals_of_both_sds_hold_as_often_as_they_say():
    # 12 days of 3 pulls, 300 warehouses, noise that moves mostly the whole curve: at each speed the
    # pull SD is chi-square. The session SD's interval is approximate. Four standard errors.
    noise = CurveNoise(
        pull_sd_pct=0.4, session_sd_pct=0.6, drift_pct_per_pull=0.0, common_share=0.9
    )
    plan, rpm = lay_out(*["CCC"] * 12), RPM[::5]
    drawn = simulate_curves(plan, rpm, noise, studies=300, rng=np.random.default_rng(2))
    pull, session = [], []
    for log_torque in drawn:
        curve = measure_repeatability(laid_out(*["CCC"] * 12, curves=log_torque, rpm=rpm)).curve
        row = curve.row(2, named=True)
        pull.append(row["pull_sd_low_pct"] <= 0.4 <= row["pull_sd_high_pct"])
        session.append(row["session_sd_low_pct"] <= 0.6 <= row["session_sd_high_pct"])
    error = 4.0 * np.sqrt(0.05 * 0.95 / 300)
    assert np.mean(pull) > 0.95 - error
    assert np.mean(session) > 0.95 - error


def test_two_pulls_a_day_on_four_days_tell_how_far_pulls_repeat():
    # The textbook study of repeatability: pairs. Their run order is known, as it mostly is.
    curves = laid_out(*["AA"] * 4, curves=np.random.default_rng(8).normal(size=(8, 1)))
    found = measure_repeatability(curves)
    halves = np.diff(curves.log_torque.reshape(4, 2), axis=1)[:, 0] ** 2 / 2.0
    assert found.pull_df == 4.0
    assert only_row(found)["pull_sd_pct"] == pytest.approx(100.0 * np.sqrt(halves.mean()))


def test_the_level_of_setups_does_not_matter():
    curves = laid_out("AAB", "BBA", "AAB", curves=np.random.default_rng(3).normal(size=(9, 1)))
    better = laid_out(
        "AAB",
        "BBA",
        "AAB",
        curves=curves.log_torque + np.array([[5.0 * (k == "B")] for k in curves.setup]),
    )
    one, other = measure_repeatability(curves), measure_repeatability(better)
    assert only_row(one) == pytest.approx(only_row(other))


def test_without_a_repeat_there_is_no_repeatability():
    with pytest.raises(AnalysisError, match="no setup in scope was pulled twice") as caught:
        measure_repeatability(laid_out("AB", "C"))
    assert "at least twice" in caught.value.mend


def test_pulls_that_each_lack_another_speed_tell_by_the_speeds_that_all_cover():
    logs = np.random.default_rng(0).normal(5.0, 0.003, (4, 20))
    logs[np.arange(4), np.arange(4)] = np.nan
    rpm = 2000.0 + 50.0 * np.arange(20)
    found = measure_repeatability(laid_out("AAAA", curves=logs, rpm=rpm))
    whole = measure_repeatability(laid_out("AAAA", curves=logs[:, 4:], rpm=rpm[4:]))
    assert found.curve["rpm"].to_list() == rpm[4:].tolist()
    assert found.overall.pull_sd_pct == pytest.approx(whole.overall.pull_sd_pct, rel=0.05)


def test_an_engine_whose_pulls_each_lack_another_speed_is_not_left_out_beside_others():
    logs = np.random.default_rng(1).normal(5.0, 0.003, (8, 20))
    logs[np.arange(4), np.arange(4)] = np.nan
    engine = ["ragged"] * 4 + ["whole"] * 4
    curves = laid_out("AAAA", "AAAA", curves=logs, rpm=2000.0 + 50.0 * np.arange(20), engine=engine)
    groups = measure_repeatability(curves).groups
    assert dict(groups.select("engine", "pull_df").iter_rows()) == {"ragged": 2, "whole": 2}


def test_nothing_in_scope_has_no_sums_to_fail_over():
    cells = sum_cells(
        laid_out("A", curves=np.zeros((1, 3)), rpm=np.arange(3.0)).take(np.zeros(1, bool))
    )
    assert cells.mean.shape == (0, 3)
    assert cells.slope.contrasts == 0


def test_days_that_share_no_setup_leave_the_session_figures_unknown():
    curves = laid_out("AAA", "BBB", curves=np.random.default_rng(4).normal(size=(6, 1)))
    found = measure_repeatability(curves)
    row = only_row(found)
    assert found.session_df is None
    assert found.overall.session_sd_pct is None
    assert row["session_sd_pct"] is None
    assert row["reproducibility_limit_pct"] is None
    assert any("No setup was pulled in two sessions" in text for text in found.warnings)


def test_few_degrees_of_freedom_are_warned_of():
    curves = laid_out("AAA", curves=np.random.default_rng(5).normal(size=(3, 1)))
    assert any("degrees of freedom" in text for text in measure_repeatability(curves).warnings)


def test_the_answer_as_json_has_the_keys_of_the_contract_and_no_nan():
    for layout in (("AAA", "AAA"), ("AAA", "BBB")):
        curves = laid_out(*layout, curves=np.random.default_rng(6).normal(size=(6, 1)))
        plain = json.loads(json.dumps(measure_repeatability(curves).to_dict(), allow_nan=False))
        assert {"curve", "pull_df", "session_df", "overall"} <= set(plain)
        assert {
            "rpm",
            "pull_sd_pct",
            "session_sd_pct",
            "repeatability_limit_pct",
            "reproducibility_limit_pct",
        } <= set(plain["curve"][0])
        assert set(plain["overall"]) == {"pull_sd_pct", "session_sd_pct"}


def two_engines(*, first, second, sd=(0.002, 0.002), seed=7):
    """Return days of two engines, `first` and `second` the runs of their days."""
    rng = np.random.default_rng(seed)
    layout = [*first, *second]
    engine = ["high"] * sum(map(len, first)) + ["low"] * sum(map(len, second))
    rows = [wiggle(rng, RPM, sd[name == "low"]) for name in engine]
    return laid_out(*layout, curves=np.array(rows), rpm=RPM, engine=engine)


def test_speeds_that_no_two_days_share_have_no_session_figure():
    # Engine 'high' repeats a setup over days, up to 4000 rpm; engine 'low' within one day only.
    curves = two_engines(first=["AA"] * 5, second=["BBB"])
    holed = curves.log_torque.copy()
    holed[np.ix_(np.arange(10), RPM > 4000.0)] = np.nan
    found = measure_repeatability(
        curves_of(
            holed,
            session=curves.session,
            setup=curves.setup,
            engine=curves.engine,
            order=curves.order,
            rpm=RPM,
        )
    )
    above = found.curve.filter(pl.col("rpm") > 4000.0)
    assert above.height > 0
    assert above["session_sd_pct"].is_null().all()
    assert above["reproducibility_limit_pct"].is_null().all()
    assert above["pull_sd_pct"].is_not_null().all()
    known = found.curve["session_sd_pct"].drop_nulls()
    rms = float(np.sqrt((known**2).mean()))
    assert found.overall.session_sd_pct == pytest.approx(rms, rel=1e-6)


def test_engines_that_repeat_unlike_are_named():
    found = measure_repeatability(
        two_engines(first=["AAA"] * 6, second=["BBB"] * 6, sd=(0.002, 0.01))
    )
    by_name = {row["engine"]: row for row in found.groups.iter_rows(named=True)}
    # 12 df and more each, pooled over speeds: within half of the truth at 99.9%.
    assert by_name["high"]["pull_sd_pct"] == pytest.approx(0.2, rel=0.5)
    assert by_name["low"]["pull_sd_pct"] == pytest.approx(1.0, rel=0.5)
    assert by_name["low"]["p_value"] < 0.001
    assert any("Not all repeat alike" in text for text in found.warnings)


def test_a_bad_pull_is_named_and_kept_out_of_the_figures():
    curves = two_engines(first=["AAAA"] * 5, second=["BBB"] * 3)
    odd = curves.log_torque.copy()
    odd[6] -= 0.10
    spoiled = curves_of(
        odd,
        session=curves.session,
        setup=curves.setup,
        engine=curves.engine,
        order=curves.order,
        rpm=RPM,
    )
    found = measure_repeatability(spoiled)
    assert any("p6" in text for text in found.warnings)
    assert found.overall.pull_sd_pct < 0.3


def test_a_bad_pull_listed_first_does_not_swap_the_engines():
    # The warehouse happens to list the first engine's bad pull first and its others last; what is
    # said of an engine must be said of that engine.
    curves = two_engines(first=["AAAA"] * 5, second=["BBBB"] * 5, sd=(0.001, 0.008))
    odd = curves.log_torque.copy()
    odd[0] -= 0.03
    spoiled = curves_of(
        odd,
        session=curves.session,
        setup=curves.setup,
        engine=curves.engine,
        order=curves.order,
        rpm=RPM,
    )
    turned = spoiled.take(np.r_[0, np.arange(20, 40), np.arange(1, 20)])
    one, other = (
        {row["engine"]: row["pull_sd_pct"] for row in found.groups.iter_rows(named=True)}
        for found in (measure_repeatability(spoiled), measure_repeatability(turned))
    )
    assert one["low"] > one["high"]
    assert other == pytest.approx(one)


def test_an_engine_s_sd_is_drawn_toward_the_others_as_far_as_its_repeats_call_for():
    # Smyth (2004): the moderated variance lies between the engine's own and the common one, and
    # the fewer its repeats the nearer to the common one.
    rng = np.random.default_rng(12)
    runs = ["AAA"] * 2 + ["BBB"] * 8 + ["CCC"] * 8 + ["DDD"] * 8
    engine = ["few"] * 6 + ["b"] * 24 + ["c"] * 24 + ["d"] * 24
    sds = [0.006] * 6 + [0.006] * 24 + [0.003] * 24 + [0.002] * 24
    curves = laid_out(
        *runs, curves=np.array([wiggle(rng, RPM, sd) for sd in sds]), rpm=RPM, engine=engine
    )
    rows = {row["engine"]: row for row in measure_repeatability(curves).groups.to_dicts()}
    moved = {
        name: np.log(row["moderated_sd_pct"] / row["pull_sd_pct"]) for name, row in rows.items()
    }
    assert moved["few"] < 0 < moved["d"]
    assert abs(moved["few"]) > abs(moved["b"])


def test_two_engines_do_not_tell_how_far_engines_differ():
    found = measure_repeatability(two_engines(first=["AAA"] * 6, second=["BBB"] * 6))
    assert found.groups["moderated_sd_pct"].is_null().all()
