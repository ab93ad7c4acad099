from __future__ import annotations

import json

import numpy as np
import polars as pl
import published
import pytest
from scipy.stats import t as student_t
from studies import RPM, Day, frames_of, history

from dynostats.analysis.compare import compare, compare_candidates
from dynostats.analysis.question import Question
from dynostats.analysis.study import find_study, pulls_near
from dynostats.errors import AnalysisError

ABBA = Day(run="ABBA", session="today", effect=0.03)


def asked(**options):
    return Question(**({"engine": "mill", "baseline": "A", "candidate": "B"} | options))


def answer(*days, seed=0, draws=1000, change=None, **options):
    pulls, curves = frames_of(*days, seed=seed)
    if change is not None:
        pulls, curves = change(pulls, curves)
    return compare(pulls, curves, asked(**options), draws=draws)


def without_curves(*names):
    return lambda pulls, curves: (pulls, curves.filter(~pl.col("pull").is_in(names)))


def excluding(setup, why="misfire"):
    def change(pulls, curves):
        odd = pl.col("setup") == setup
        return (
            pulls.with_columns(
                state=pl.when(odd).then(pl.lit("excluded")).otherwise("state"),
                why=pl.when(odd).then(pl.lit(why)).otherwise("why"),
            ),
            curves,
        )

    return change


def refusal(*days, **options):
    with pytest.raises(AnalysisError) as caught:
        answer(*days, **options)
    return caught.value


def test_a_clear_gain():
    found = answer(ABBA, *history())
    assert found.verdict == "gain"
    assert found.overall.low_pct < 100.0 * np.expm1(0.03) < found.overall.high_pct
    assert found.overall.probability_gain_over_margin > 0.99
    assert "gain is beyond noise" in found.why
    assert (found.pulls.baseline, found.pulls.candidate, found.pulls.excluded) == (2, 2, 0)


def test_the_sign_is_candidate_minus_baseline():
    one = answer(ABBA, *history())
    other = answer(ABBA, *history(), baseline="B", candidate="A")
    assert other.verdict == "loss"
    ratio = (1.0 + one.overall.effect_pct / 100.0) * (1.0 + other.overall.effect_pct / 100.0)
    assert ratio == pytest.approx(1.0)
    product = (1.0 + one.curve["effect_pct"] / 100.0) * (1.0 + other.curve["effect_pct"] / 100.0)
    np.testing.assert_allclose(product, 1.0, rtol=1e-12)
    swapped = {"gain": "loss", "loss": "gain"}
    assert [swapped.get(region.verdict, region.verdict) for region in one.regions] == [
        region.verdict for region in other.regions
    ]


def test_the_answer_as_json_has_the_keys_of_the_contract_and_no_nan():
    plain = json.loads(json.dumps(answer(ABBA, *history()).to_dict(), allow_nan=False))
    assert {
        *("verdict", "why", "overall", "regions", "curve", "pulls", "noise", "warnings"),
        *("next", "method"),
    } <= set(plain)
    assert {
        "effect_pct",
        "low_pct",
        "high_pct",
        "effect_kw",
        "probability_gain_over_margin",
    } <= set(plain["overall"])
    assert {"from_rpm", "to_rpm", "verdict", "effect_pct", "low_pct", "high_pct"} <= set(
        plain["regions"][0]
    )
    assert {"rpm", "baseline_kw", "effect_pct", "low_pct", "high_pct"} <= set(plain["curve"][0])
    assert {"baseline", "candidate", "excluded"} <= set(plain["pulls"])
    assert {"source", "pull_df", "session_df"} <= set(plain["noise"])


def test_one_pull_a_side_and_no_history_is_undecided_without_bounds():
    found = answer(Day(run="AB", session="today", effect=0.2))
    assert found.verdict == "undecided"
    assert (found.overall.low_pct, found.overall.high_pct) == (None, None)
    assert found.overall.probability_gain_over_margin is None
    assert found.curve["low_pct"].is_null().all()
    assert [region.verdict for region in found.regions] == ["undecided"]
    assert "alternating" in found.next
    plain = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert plain["overall"]["low_pct"] is None
    assert plain["regions"][0]["low_pct"] is None
    assert plain["curve"][0]["low_pct"] is None


def test_setups_that_never_met_and_no_history_of_days_are_undecided():
    found = answer(Day(run="AAA", session="may"), Day(run="BBB", session="june", effect=0.05))
    assert found.verdict == "undecided"
    assert found.overall.low_pct is None
    assert "in one session" in found.next
    assert any("never shared a session" in text for text in found.warnings)


def test_next_never_advises_what_was_just_done():
    # Two pulls a side, alternating, ending at the baseline, and nothing else in the warehouse.
    found = answer(Day(run="ABBA", session="today", effect=0.03))
    if found.overall.low_pct is None:
        assert "at least two pulls each" not in found.next
        assert "pulled often enough" not in found.why  # each setup was pulled twice


def without_order(pulls, curves):
    return pulls.with_columns(order=pl.lit(None, pl.Int64)), curves


def test_an_undecided_answer_advises_pulls_by_the_t_they_would_have():
    # Two pulls a side, alone: t has 2 df today (6.2 at 1.25%), but 2 n - 2 with n pulls a side. The
    # band mean's SD is at most the pull SD at hand, so no more pulls than this can be needed.
    found = answer(Day(run="ABBA", session="today"), change=without_order, seed=6, draws=10_000)
    assert found.verdict == "undecided"
    aim = max(abs(found.overall.effect_pct), found.margin_pct)
    needed = next(
        n
        for n in range(2, 200)
        if student_t.ppf(0.9875, 2 * n - 2) * found.noise.pull_sd_pct * np.sqrt(2.0 / n) <= aim
    )
    advised = int(found.next.split("About ")[1].split()[0])
    assert advised <= needed + 1


def test_a_setup_never_pulled_is_refused_with_the_nearest_name():
    day = Day(run="AB", session="today")
    renamed = {"A": "stock intake", "B": "short intake"}

    def change(pulls, curves):
        return pulls.with_columns(pl.col("setup").replace_strict(renamed)), curves

    error = refusal(day, change=change, baseline="stock intak", candidate="short intake")
    assert "never pulled" in error.what
    assert "Did you mean 'stock intake'?" in error.mend
    assert "'short intake', 'stock intake'" in error.mend


def test_a_setup_name_in_another_case_is_recognised_as_a_slip():
    def change(pulls, curves):
        names = {"A": "STOCK", "B": "PORTED"}
        return pulls.with_columns(pl.col("setup").replace_strict(names)), curves

    error = refusal(
        Day(run="AB", session="today"), change=change, baseline="stock", candidate="PORTED"
    )
    assert "Did you mean 'STOCK'?" in error.mend


def test_an_engine_never_pulled_is_refused_with_the_nearest_name():
    assert "Did you mean 'mill'?" in refusal(ABBA, engine="mil").mend


def test_a_setup_with_every_pull_excluded_is_refused():
    error = refusal(ABBA, change=excluding("B"))
    assert "every pull of setup 'B'" in error.what
    assert "include" in error.mend


def test_the_same_setup_twice_is_refused():
    assert "both 'A'" in refusal(ABBA, candidate="A").what


@pytest.mark.parametrize("margin", [0.0, -0.5, 100.0, float("nan"), float("inf")])
def test_a_margin_that_means_nothing_is_refused(margin):
    error = refusal(ABBA, margin_pct=margin)
    assert error.where == "--margin"
    assert error.mend


@pytest.mark.parametrize("alpha", [0.0, -0.1, 0.5, 1.0, float("nan")])
def test_an_alpha_that_no_answer_could_honour_is_refused(alpha):
    assert refusal(ABBA, alpha=alpha).where == "--alpha"


def critical_value(alpha):
    """Return the curve's critical value, None where so small an alpha is refused."""
    try:
        found = answer(Day(run="ABBAABBA", session="today"), alpha=alpha, draws=10_000)
    except AnalysisError as error:
        assert error.where == "--alpha"  # noqa: PT017 - refusing is one of two right answers
        return None
    return found.method["curve_critical_value"]


def test_a_tiny_alpha_is_honoured_or_refused():
    # The largest of 10,000 simulated studies is all that is known of a tail beyond 1e-4. With a
    # few degrees of freedom the critical value at 1e-9 is several times that at 1e-5.
    strict, usual = critical_value(1e-9), critical_value(1e-5)
    assert strict is None or strict > 1.5 * usual


def test_an_unknown_quantity_is_refused():
    assert refusal(ABBA, quantity="boost").where == "--quantity"


@pytest.mark.parametrize(
    ("band", "words"),
    [
        ((1000.0, 3000.0), "covers only 2000:4000"),
        ((3000.0, 9000.0), "covers only 2000:4000"),
        ((3500.0, 2500.0), "low end must be below"),
        ((float("nan"), 3000.0), "low end must be below"),
        ((2990.0, 3110.0), "fewer than four grid speeds"),
    ],
)
def test_a_band_that_was_not_covered_is_refused(band, words):
    error = refusal(ABBA, band=band)
    assert error.where == "--band"
    assert words in error.what


def test_a_band_cuts_the_answer():
    found = answer(ABBA, *history(), band=(2500.0, 3500.0))
    assert found.band == (2500.0, 3500.0)
    assert found.curve["rpm"].to_list() == np.arange(2500.0, 3501.0, 50.0).tolist()
    assert (found.regions[0].from_rpm, found.regions[-1].to_rpm) == (2500.0, 3500.0)


def test_the_band_is_what_every_compared_pull_covers():
    def change(pulls, curves):
        early = (pl.col("pull") == "mill-today-2") & (pl.col("rpm") > 3500.0)
        return pulls, curves.filter(~early)

    found = answer(ABBA, *history(), change=change)
    assert found.band == (2000.0, 3500.0)


def test_pulls_over_different_speeds_are_refused():
    def change(pulls, curves):
        candidate = pl.col("pull").is_in(["mill-today-2", "mill-today-3"])
        return pulls, curves.with_columns(
            rpm=pl.when(candidate).then(pl.col("rpm") + 5000.0).otherwise("rpm")
        )

    error = refusal(ABBA, change=change)
    assert "share fewer than four grid speeds" in error.what
    assert error.mend


def test_speeds_that_no_pull_covered_are_in_no_region():
    # All pulls skip 2600 to 3400 rpm (a resonance of the cell): nothing is known there.
    def change(pulls, curves):
        return pulls, curves.filter(~pl.col("rpm").is_between(2600.0, 3400.0))

    found = answer(ABBA, *history(), change=change)
    assert not any(region.from_rpm < 2600.0 and region.to_rpm > 3400.0 for region in found.regions)


def test_a_pull_without_a_torque_curve_is_named():
    error = refusal(ABBA, change=without_curves("mill-today-3"))
    assert "mill-today-3" in error.headline()


def test_setups_without_any_torque_curve_are_told_what_is_missing():
    error = refusal(ABBA, *history(), change=without_curves(*(f"mill-today-{n}" for n in "1234")))
    assert "torque" in error.what


def test_setups_on_different_dynos_are_refused():
    def change(pulls, curves):
        return pulls.with_columns(dyno="setup"), curves

    error = refusal(ABBA, change=change)
    assert "dyno" in error.what
    assert error.mend


def test_where_the_setups_met_counts_more_than_where_most_pulls_are():
    # ABBA on one dyno; on the other the setups were pulled more often, but on different days.
    found = answer(
        Day(run="ABBA", session="met", dyno="north", effect=0.03),
        Day(run="AAAA", session="may", dyno="south"),
        Day(run="BBBB", session="june", dyno="south", effect=0.03),
        *history(dyno="north"),
        *history(dyno="south"),
    )
    assert found.method["design"] == "same_session"


def test_pulls_that_were_not_used_are_told():
    # Ten accepted pulls of the two setups stand in other sessions and carry nothing of the effect.
    found = answer(
        Day(run="ABBA", session="met"),
        Day(run="AAAAA", session="may"),
        Day(run="BBBBB", session="june"),
    )
    assert (found.pulls.baseline, found.pulls.candidate) == (2, 2)
    assert any("may" in text and "june" in text for text in found.warnings)


def test_excluded_pulls_are_counted_and_named():
    pulls, curves = frames_of(Day(run="ABBAAB", session="today", effect=0.03), *history())
    odd = pl.col("pull") == "mill-today-5"
    pulls = pulls.with_columns(
        state=pl.when(odd).then(pl.lit("excluded")).otherwise("state"),
        why=pl.when(odd).then(pl.lit("hose off")).otherwise("why"),
    )
    found = compare(pulls, curves, asked(), draws=500)
    assert (found.pulls.baseline, found.pulls.candidate, found.pulls.excluded) == (2, 3, 1)
    assert any("mill-today-5 (hose off)" in text for text in found.warnings)
    row = found.pull_table.filter(pull="mill-today-5").row(0, named=True)
    assert (row["state"], row["mean_kw"]) == ("excluded", None)
    assert "mill-today-5" not in found.pull_curves["pull"].to_list()


def test_an_excluded_pull_changes_no_number():
    pulls, curves = frames_of(ABBA, *history())
    extra = pulls.filter(pull="mill-today-1").with_columns(
        pull=pl.lit("odd"), state=pl.lit("excluded"), order=pl.lit(5, pl.Int64)
    )
    its_curve = curves.filter(pl.col("pull") == "mill-today-1").with_columns(
        pull=pl.lit("odd"), torque=pl.col("torque") * 0.5
    )
    one = compare(pulls, curves, asked(), draws=500)
    other = compare(pl.concat([pulls, extra]), pl.concat([curves, its_curve]), asked(), draws=500)
    assert one.curve.equals(other.curve)
    assert one.overall == other.overall


def test_another_engine_on_another_dyno_changes_no_number():
    foreign = [
        Day(run="AAB", session=f"x{number}", engine="other", dyno="far", sd=0.05)
        for number in range(4)
    ]
    one, other = answer(ABBA, *history()), answer(ABBA, *history(), *foreign)
    assert one.curve.equals(other.curve)
    assert one.overall == other.overall
    assert one.verdict == other.verdict


def test_kilowatts_and_newton_metres_belong_together():
    found = answer(ABBA, *history()).curve
    factor = np.pi / 30_000.0
    np.testing.assert_allclose(
        found["baseline_kw"], found["baseline_nm"] * found["rpm"] * factor, rtol=1e-12
    )
    np.testing.assert_allclose(
        found["candidate_kw"] / found["baseline_kw"], 1.0 + found["effect_pct"] / 100.0, rtol=1e-12
    )


def test_the_same_answer_in_torque_and_in_power():
    power = answer(ABBA, *history(), quantity="power")
    torque = answer(ABBA, *history(), quantity="torque")
    assert power.overall == torque.overall
    assert power.curve.equals(torque.curve)


def test_bounds_lie_around_the_effect_and_the_pointwise_ones_inside():
    curve = answer(ABBA, *history()).curve
    assert (curve["low_pct"] < curve["low_pointwise_pct"]).all()
    assert (curve["low_pointwise_pct"] < curve["effect_pct"]).all()
    assert (curve["effect_pct"] < curve["high_pointwise_pct"]).all()
    assert (curve["high_pointwise_pct"] < curve["high_pct"]).all()


def test_the_run_order_is_taken_from_the_start_times_where_the_sheet_gives_none():
    pulls, curves = frames_of(Day(run="AABB", session="today"), *history())
    start = pl.datetime(2025, 5, 2, 9) + pl.duration(minutes=10 * pl.col("order"))
    timed = pulls.with_columns(started=start, order=pl.lit(None, pl.Int64))
    one = compare(pulls, curves, asked(), draws=500)
    other = compare(timed, curves, asked(), draws=500)
    assert one.overall == other.overall
    blind = compare(pulls.with_columns(order=pl.lit(None, pl.Int64)), curves, asked(), draws=500)
    assert any("run order of some pulls is not known" in text for text in blind.warnings)


def test_a_run_order_that_hides_a_drift_is_warned_of():
    found = answer(Day(run="AAABBB", session="today"))
    assert any("drift" in text for text in found.warnings)
    assert not any("drift" in text for text in answer(ABBA, *history()).warnings)


def shoe_frames():
    """Return the boys' shoes as flat curves: log torque = log 300 + wear / 100, a boy a session."""
    pulls, curves = frames_of(*(Day(run="AB", session=f"boy-{n}", sd=0.0) for n in range(10)))
    wear = np.array([published.SHOES_A, published.SHOES_B]).T.ravel() / 100.0
    worn = pl.DataFrame({"pull": pulls["pull"], "wear": wear})
    curves = curves.join(worn, on="pull").with_columns(
        torque=pl.col("torque") * pl.col("wear").exp()
    )
    return pulls.with_columns(order=pl.lit(None, pl.Int64)), curves.drop("wear")


@pytest.mark.parametrize(("margin", "verdict"), [(1.0, "no_meaningful_change"), (0.6, "gain")])
def test_the_shoes_are_equivalent_at_one_published_margin_and_not_at_the_other(margin, verdict):
    # Two one-sided tests at 5%: p = 0.00047 at +-1 and 0.0775 at +-0.6 (wear units are 1/100 of
    # log torque here, so percent but for 0.2% of themselves). Within +-0.6 it is not shown to lie,
    # but the difference is beyond noise (two-sided p = 0.0085), and may exceed 0.6.
    pulls, curves = shoe_frames()
    found = compare(pulls, curves, asked(margin_pct=margin), draws=10_000)
    assert found.overall.effect_pct == pytest.approx(100.0 * np.expm1(published.SHOES_MEAN / 100.0))
    low, high = (100.0 * np.expm1(bound / 100.0) for bound in published.SHOES_CI90)
    # 10,000 draws over 2,222 simulated variances: the 90% point of |t| repeats within 4%.
    width = found.curve["high_pointwise_pct"][0] - found.curve["low_pointwise_pct"][0]
    assert width == pytest.approx(high - low, rel=0.04)
    assert found.verdict == verdict


def test_frames_handed_in_are_not_changed():
    pulls, curves = frames_of(ABBA, *history())
    before = pulls.clone(), curves.clone()
    compare(pulls, curves, asked(), draws=300)
    assert pulls.equals(before[0])
    assert curves.equals(before[1])


def test_rows_of_the_curve_are_the_grid():
    found = answer(ABBA, *history())
    assert found.curve["rpm"].to_list() == RPM.tolist()
    assert found.pull_curves.height == 4 * len(RPM)
    assert found.pull_table["pull"].to_list() == [f"mill-today-{n}" for n in range(1, 5)]
    assert found.pull_table["role"].to_list() == ["baseline", "candidate", "candidate", "baseline"]


def test_a_verdict_that_hangs_on_one_pull_says_so():
    # One of three candidate pulls is 4% up, the others are like the baseline.
    def change(pulls, curves):
        lucky = pl.col("pull") == "mill-today-3"
        torque = pl.when(lucky).then(pl.col("torque") * 1.04).otherwise("torque")
        return pulls, curves.with_columns(torque=torque)

    found = answer(Day(run="ABBAAB", session="today"), *history(), change=change)
    by_pull = {one.pull: one for one in found.influence}
    assert set(by_pull) == {f"mill-today-{n}" for n in range(1, 7)}
    assert by_pull["mill-today-3"].effect_pct < found.overall.effect_pct - 0.5
    assert [name for name, one in by_pull.items() if one.changes] or found.verdict == "undecided"
    for one in found.influence:
        assert one.low_pct < one.effect_pct < one.high_pct
        assert one.changes == (one.verdict != found.verdict)
        assert (f"without {one.pull}" in " ".join(found.warnings)) == one.changes


def test_one_pull_a_side_can_lose_none():
    assert answer(Day(run="AB", session="today", effect=0.05), *history()).influence == ()


def family_of(*letters, days=(), alpha=0.05):
    pulls, curves = frames_of(*days, *history(run="DDD"))
    questions = tuple(asked(candidate=letter, alpha=alpha) for letter in letters)
    return compare_candidates(pulls, curves, questions, draws=4000)


def test_candidates_share_one_family_of_bounds():
    day = Day(run="ABCCBAABC", session="today", effect=0.03)
    both = family_of("B", "C", days=(day,))
    alone = family_of("B", days=(day,))[0]
    assert [found.candidate for found in both] == ["B", "C"]
    np.testing.assert_allclose(both[0].curve["effect_pct"], alone.curve["effect_pct"], rtol=1e-9)
    factors = {found.method["curve_critical_value"] for found in both}
    assert len(factors) == 1
    # Two candidates cost more than one, and less than halving alpha does (4,000 draws: 3%).
    half = family_of("B", days=(day,), alpha=0.025)[0].method["curve_critical_value"]
    assert alone.method["curve_critical_value"] < factors.pop() < half * 1.03


def test_the_order_of_the_candidates_does_not_matter():
    day = Day(run="ABCCBAABC", session="today", effect=0.03)
    one, other = family_of("B", "C", days=(day,)), family_of("C", "B", days=(day,))
    np.testing.assert_allclose(one[0].curve["effect_pct"], other[1].curve["effect_pct"])
    assert one[0].verdict == other[1].verdict


def test_the_noise_is_learned_from_the_nearest_pulls_of_a_large_warehouse(monkeypatch):
    # The study's sessions, then the engine's own, then other engines' nearest in storing order.
    monkeypatch.setattr("dynostats.analysis.study.MOST_SCOPE", 20)
    days = [
        *(Day(run="CCC", session=f"far-{number}", engine="other") for number in range(9)),
        Day(run="CCC", session="own", engine="mill"),
        *(Day(run="CCC", session=f"near-{number}", engine="other") for number in range(3)),
        Day(run="ABBA", session="study"),
    ]
    pulls, _ = frames_of(*days)
    study = find_study(pulls, "mill", "A", "B")
    assert set(study.scope["session"]) == {"study", "own", "near-0", "near-1", "near-2", "far-8"}
    assert study.scope["pull"].to_list() == [
        name for name in pulls["pull"] if name in set(study.scope["pull"])
    ]
    assert study.further == 8 * 3
    # Where starts are known, near is near in time: the first days stored were run last.
    dated = pulls.with_columns(
        started=pl.datetime(2026, 6, 1) - pl.duration(hours=pl.int_range(pl.len()))
    )
    assert "near-2" in set(find_study(dated, "mill", "A", "B").scope["session"])
    early = dated.with_columns(
        started=pl.when(pl.col("session") == "far-0")
        .then(pl.col("started").min())
        .otherwise("started")
    )
    assert "far-0" in set(find_study(early, "mill", "A", "B").scope["session"])


def test_a_large_warehouse_gives_the_answer_of_its_nearest_part(monkeypatch):
    days = [
        *(Day(run="CCC", session=f"d{number}", engine="other") for number in range(9)),
        Day(run="ABBA", session="study", effect=0.02),
    ]
    pulls, curves = frames_of(*days)
    monkeypatch.setattr("dynostats.analysis.study.MOST_SCOPE", 16)
    question = Question(engine="mill", baseline="A", candidate="B")
    found = compare(pulls, curves, question, draws=500)
    near = pulls_near(pulls, [question])
    assert near.height == 16
    again = compare(
        near, curves.filter(pl.col("pull").is_in(near["pull"].to_list())), question, draws=500
    )
    assert again.overall == found.overall
    assert "15 more lie further away" in found.noise.source


def test_of_many_pulls_those_that_move_the_answer_are_left_out_in_turn(monkeypatch):
    days = [Day(run="ABBA", session=f"d{number}", effect=0.01) for number in range(4)]

    def entries():
        return {one.pull: one for one in answer(*days).influence}

    everyone = entries()
    monkeypatch.setattr("dynostats.analysis.influence.MOST_LEFT_OUT", 5)
    few = entries()
    assert len(everyone) == 16
    assert len(few) == 5
    assert all(few[name] == everyone[name] for name in few)
    # Without one pull of an ABBA a drift has to be fitted, which is more than its weight times its
    # residual says: the choice is by and large that of the largest moves.
    whole = answer(*days).overall.effect_pct
    moved = {name: abs(one.effect_pct - whole) for name, one in everyone.items()}
    chosen = np.mean([moved[name] for name in few])
    assert chosen > 1.5 * np.mean([moved[name] for name in moved if name not in few])
