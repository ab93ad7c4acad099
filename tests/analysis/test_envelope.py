"""New logs against the range of accepted pulls, on a shop with known noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from envelope_world import RPM, USUAL, World, make_reference, new_log

from dynostats.analysis.envelope import NewLog, check_envelope
from dynostats.analysis.envelope.band import learn_band
from dynostats.analysis.envelope.channels import watch
from dynostats.errors import AnalysisError

WORLD = World()


@pytest.fixture(scope="module")
def reference():
    return make_reference(WORLD, np.random.default_rng(1))


@pytest.fixture(scope="module")
def clean(reference):
    return check_envelope(reference, [new_log(WORLD, np.random.default_rng(2))])


def channel_of(found, name):
    return next(one for one in found.channels if one.channel == name)


def changed(reference, seed=2, **factors):
    return check_envelope(reference, [new_log(WORLD, np.random.default_rng(seed), **factors)])


def test_a_clean_log_of_another_day_is_inside(clean):
    assert clean.inside
    assert clean.verdict == "inside"
    assert [one.channel for one in clean.channels] == list(USUAL)
    assert {one.status for one in clean.channels} == {"inside"}
    assert {one.share_outside for one in clean.channels} == {0.0}
    assert {one.worst_excess for one in clean.channels} == {0.0}
    assert clean.dangers == ()


@pytest.mark.parametrize(
    ("channel", "factor", "side", "first_words"),
    [
        ("lambda", 1.05, "above", "Danger to the engine. A mixture leaner"),
        ("lambda", 0.94, "below", ""),
        ("manifold_pressure", 1.06, "above", "Danger to the engine. More boost"),
        ("fuel_pressure", 0.93, "below", "Danger to the engine. Less fuel pressure"),
        ("oil_pressure", 0.85, "below", "Danger to the engine. Less oil pressure"),
        ("oil_pressure", 1.15, "above", ""),
        ("charge_temperature", 1.35, "above", "Danger to the engine. Hotter"),
    ],
)
def test_a_channel_that_is_off_is_outside_on_its_side(
    reference, channel, factor, side, first_words
):
    danger = bool(first_words)
    found = changed(reference, **{channel: factor})
    one = channel_of(found, channel)
    assert found.verdict == "outside"
    assert not found.inside
    assert (one.status, one.side, one.danger) == ("outside", side, danger)
    assert one.share_outside > 0.8
    others = [other for other in found.channels if other.channel != channel]
    assert {other.status for other in others} == {"inside"}
    assert " ".join(found.dangers).startswith(first_words)
    assert bool(found.dangers) is danger


def test_the_excess_is_how_far_it_lies_beyond_the_edge(reference):
    found = changed(reference, fuel_pressure=0.93)
    points = found.points.filter(channel="fuel_pressure")
    beyond = (points["low"] - points["value"]).to_numpy()
    one = channel_of(found, "fuel_pressure")
    assert one.worst_excess == pytest.approx(beyond.max(), rel=1e-12)
    assert one.worst_rpm == points["rpm"][int(beyond.argmax())]
    assert one.worst_excess == pytest.approx(0.07 * 390.0, abs=0.04 * 390.0)


def test_a_fault_at_high_speed_only_is_found_there(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    high = pl.col("engine_speed") > 5000.0
    lean = log.with_columns(
        pl.when(high).then(pl.col("lambda") * 1.06).otherwise(pl.col("lambda")).alias("lambda")
    )
    found = check_envelope(reference, [NewLog(name="run.csv", samples=lean)])
    one = channel_of(found, "lambda")
    (excursion,) = one.excursions
    assert 4900.0 <= excursion.from_rpm <= 5300.0
    assert excursion.to_rpm >= 6300.0
    assert excursion.side == "above"
    assert one.worst_rpm > 5000.0


def test_part_load_is_not_compared(reference):
    log = new_log(WORLD, np.random.default_rng(2), **{"lambda": 1.1}).samples
    part = log.with_columns(throttle=pl.lit(45.0))
    found = check_envelope(reference, [NewLog(name="run.csv", samples=part)])
    assert found.verdict == "not_enough_covered"
    assert not found.inside
    assert {one.status for one in found.channels} == {"not_covered"}
    assert {one.share_outside for one in found.channels} == {None}
    assert any("no stretch of it is at the full load" in text for text in found.warnings)


def test_part_load_beside_full_load_does_no_harm(reference, clean):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    cruise = log.with_columns(
        pl.col("time") - 100.0, throttle=pl.lit(20.0), manifold_pressure=pl.lit(60.0)
    ).with_columns(pl.lit(1.0).alias("lambda"))
    found = check_envelope(reference, [NewLog(name="run.csv", samples=pl.concat([cruise, log]))])
    assert found.inside
    assert found.points.select("channel", "rpm", "value").equals(
        clean.points.select("channel", "rpm", "value")
    )


@pytest.mark.parametrize(("top", "inside"), [(3800.0, False), (5600.0, True)])
def test_a_log_that_covers_few_speeds_is_not_enough(reference, top, inside):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    short = log.filter(pl.col("engine_speed") < top)
    found = check_envelope(reference, [NewLog(name="run.csv", samples=short)])
    assert found.inside is inside
    for one in found.channels:
        assert one.covered_rpm[1] < top
        assert one.share_covered == pytest.approx((top - 2600.0) / 4000.0, abs=0.1)


def test_a_missing_channel_leaves_the_answer_open(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples.drop("oil_pressure")
    found = check_envelope(reference, [NewLog(name="run.csv", samples=log)])
    assert found.verdict == "not_enough_covered"
    assert not found.inside
    assert "oil pressure" in found.answer
    assert channel_of(found, "oil_pressure").status == "not_covered"


def test_a_fault_counts_more_than_what_is_missing(reference):
    log = new_log(WORLD, np.random.default_rng(2), **{"lambda": 1.06}).samples
    found = check_envelope(reference, [NewLog(name="a.csv", samples=log.drop("oil_pressure"))])
    assert found.verdict == "outside"


def test_without_a_channel_that_tells_the_load_nothing_is_compared(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples.drop("throttle", "manifold_pressure")
    found = check_envelope(reference, [NewLog(name="run.csv", samples=log)])
    assert found.verdict == "not_enough_covered"
    assert any("nothing in it tells the load" in text for text in found.warnings)


def test_boost_tells_the_load_where_there_is_no_throttle(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples.drop("throttle")
    found = check_envelope(reference, [NewLog(name="run.csv", samples=log)])
    assert found.inside
    assert found.logs[0].told_by == "boost"
    over = new_log(WORLD, np.random.default_rng(2), manifold_pressure=1.08).samples
    found = check_envelope(reference, [NewLog(name="run.csv", samples=over.drop("throttle"))])
    assert channel_of(found, "manifold_pressure").status == "outside"


def test_with_less_boost_than_the_pulls_the_other_channels_are_not_compared(reference):
    found = changed(reference, manifold_pressure=0.85, fuel_pressure=0.9)
    assert channel_of(found, "manifold_pressure").side == "below"
    assert channel_of(found, "fuel_pressure").status == "not_covered"
    assert found.dangers == ()


def test_the_first_second_at_full_load_is_not_compared(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    late = log.with_columns(
        throttle=pl.when(pl.col("engine_speed") > 4000.0).then(100.0).otherwise(20.0)
    )
    found = check_envelope(reference, [NewLog(name="run.csv", samples=late)])
    assert min(one.covered_rpm[0] for one in found.channels) >= 4300.0  # 400 rpm a second


def test_several_runs_widen_the_band_and_are_each_compared(reference, clean):
    first, second = (new_log(WORLD, np.random.default_rng(seed)).samples for seed in (2, 3))
    both = pl.concat([first, second.with_columns(pl.col("time") + 60.0)])
    found = check_envelope(reference, [NewLog(name="run.csv", samples=both)])
    assert found.logs[0].runs == 2
    assert set(found.points["run"]) == {1, 2}
    assert found.method["family"] == 2 * clean.method["family"] == 10
    for one, alone in zip(found.channels, clean.channels, strict=True):
        assert one.factor > alone.factor


def test_two_pulls_without_history_tell_too_little_and_say_so():
    world = World(reference=(2,), history=())
    rng = np.random.default_rng(4)
    found = check_envelope(make_reference(world, rng), [new_log(world, rng)])
    assert not found.inside
    assert found.verdict == "not_enough_covered"
    assert all(one.tolerance_factor == pytest.approx(36.5, abs=0.05) for one in found.channels)
    assert any("so wide that it would hold dangerous values" in one.text for one in found.channels)
    assert any("lacks what differs from day to day" in text for text in found.warnings)


def test_history_narrows_the_band_of_two_pulls():
    rng = np.random.default_rng(4)
    world = World(reference=(2,), history=(3,) * 8)
    found = check_envelope(make_reference(world, rng), [new_log(world, rng)])
    assert found.inside
    assert all(one.pull_df >= 8 for one in found.channels)
    assert all(one.session_df >= 6 for one in found.channels)
    assert not any("lacks what differs" in text for text in found.warnings)


def test_pulls_that_stand_alone_in_their_sessions_hold_pull_and_day():
    rng = np.random.default_rng(5)
    world = World(reference=(1,) * 12, history=())
    found = check_envelope(make_reference(world, rng), [new_log(world, rng)])
    assert found.inside
    assert any("their scatter holds pull and day together" in text for text in found.warnings)


def test_one_pull_has_no_range(reference):
    alone = World(reference=(1,), history=())
    with pytest.raises(AnalysisError, match="only one accepted pull") as refused:
        make_reference(alone, np.random.default_rng(1))
    assert refused.value.where == "--reference"
    with pytest.raises(AnalysisError, match="no accepted pull of setup 'other thing'"):
        replace(reference, setup="other thing")


def test_pulls_without_any_watched_channel_are_refused(reference):
    bare = replace(reference, curves=reference.curves.select("pull", "rpm", "throttle"))
    with pytest.raises(AnalysisError, match="share a channel that protects the engine"):
        check_envelope(bare, [new_log(WORLD, np.random.default_rng(2))])


def test_an_outlying_reference_pull_is_named_and_left_out(reference):
    odd = reference.members[0]
    curves = reference.curves.with_columns(
        pl.when(pl.col("pull") == odd)
        .then(pl.col("charge_temperature") + 60.0)
        .otherwise(pl.col("charge_temperature"))
        .alias("charge_temperature")
    )
    found = check_envelope(
        replace(reference, curves=curves), [new_log(WORLD, np.random.default_rng(2))]
    )
    assert any(text.startswith(f"{odd}: unlike the other pulls") for text in found.warnings)
    assert channel_of(found, "charge_temperature").pulls == 2


def test_speed_beyond_the_pulls_is_told(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    over = log.with_columns(pl.col("engine_speed") * 1.1)
    found = check_envelope(reference, [NewLog(name="run.csv", samples=over)])
    assert any("the pulls end at 6,5" in text for text in found.warnings)


def test_a_faster_rise_is_told(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    fast = log.with_columns(pl.col("time") / 3.0)
    found = check_envelope(reference, [NewLog(name="run.csv", samples=fast)])
    assert any("engine speed rises at" in text for text in found.warnings)


def test_the_band_is_never_narrower_than_the_tolerance_factor(reference):
    watched = watch("lambda")
    band = learn_band(watched, reference.table("lambda"), engine="mill")
    assert (band.half_width() >= band.tolerance * band.single - 1e-15).all()
    assert (band.half_width() >= band.factor * band.error - 1e-15).all()
    wider = band.for_family(10)
    assert wider.factor > band.factor
    assert (wider.half_width() >= band.half_width()).all()


def test_few_samples_widen_the_band(reference):
    band = learn_band(watch("lambda"), reference.table("lambda"), engine="mill")
    assert (band.half_width(1e-5) > band.half_width()).all()


def test_the_unit_of_a_channel_does_not_matter(reference, clean):
    # Pressures in another unit, in pulls and log alike: the same shares and speeds.
    scaled = replace(
        reference,
        curves=reference.curves.with_columns(pl.col("oil_pressure") * 0.145038),
        samples=[log.with_columns(pl.col("oil_pressure") * 0.145038) for log in reference.samples],
    )
    found = changed(scaled, oil_pressure=0.145038)
    one, other = channel_of(found, "oil_pressure"), channel_of(clean, "oil_pressure")
    assert one.worst_rpm == other.worst_rpm
    assert one.factor == pytest.approx(other.factor, rel=1e-9)


def test_steps_go_up_to_what_was_pulled_and_never_say_safe(clean):
    titles = [step.title for step in clean.steps]
    assert titles[0] == "Before the engine runs"
    assert "up to 4,500 rpm" in titles[3]
    assert f"up to {RPM[-1]:,.0f} rpm" in titles[5]
    words = " ".join((clean.answer, clean.next, *clean.warnings, *(s.text for s in clean.steps)))
    assert "safe" not in words.lower()
    assert "licensed practice" in words
    assert "before the next step" in words


def test_where_only_banks_tell_the_mixture_they_are_needed():
    rng = np.random.default_rng(6)
    world = World(channels=("lambda", "oil_pressure"), history=(3,) * 8)
    reference, log = make_reference(world, rng), new_log(world, rng).samples
    banks = replace(
        reference,
        curves=reference.curves.rename({"lambda": "lambda_1"}),
        samples=[one.rename({"lambda": "lambda_1"}) for one in reference.samples],
    )
    found = check_envelope(
        banks, [NewLog(name="run.csv", samples=log.rename({"lambda": "lambda_1"}))]
    )
    assert found.inside
    assert not any("no mixture" in text for text in found.warnings)
    found = check_envelope(banks, [NewLog(name="run.csv", samples=log.drop("lambda"))])
    assert found.verdict == "not_enough_covered"


def test_what_the_pulls_do_not_have_is_told():
    rng = np.random.default_rng(6)
    world = World(channels=("lambda",))
    found = check_envelope(make_reference(world, rng), [new_log(world, rng)])
    (text,) = [text for text in found.warnings if "reference pulls have no" in text]
    assert "boost" in text
    assert "fuel pressure" in text


def test_pulls_that_share_no_speeds_have_no_band(reference):
    first, *others = reference.members
    split = (
        pl.when(pl.col("pull") == first)
        .then(pl.col("rpm") < 4000.0)
        .otherwise(pl.col("rpm") > 4500.0)
    )
    own = pl.col("pull").is_in(reference.members)
    apart = reference.curves.with_columns(
        pl.when(~own | split).then(pl.col("lambda")).alias("lambda")
    ).filter(~pl.col("pull").is_in(others[1:]))
    pulls = reference.pulls.filter(~pl.col("pull").is_in(others[1:]))
    found = check_envelope(
        replace(reference, curves=apart, pulls=pulls), [new_log(WORLD, np.random.default_rng(2))]
    )
    one = channel_of(found, "lambda")
    assert one.status == "not_covered"
    assert "Fewer than two alike reference pulls" in one.text
    assert found.verdict == "not_enough_covered"


def test_a_band_is_not_narrower_than_sensors_can_tell(reference):
    same = reference.curves.filter(pl.col("pull") == reference.members[0])
    copies = pl.concat(same.with_columns(pull=pl.lit(name)) for name in reference.members)
    pulls = reference.pulls.filter(pl.col("pull").is_in(reference.members))
    band = learn_band(
        watch("charge_temperature"),
        replace(reference, curves=copies, pulls=pulls).table("charge_temperature"),
        engine="mill",
    )
    low, high = band.edges()
    assert (high - low) / 2.0 == pytest.approx(np.ones(len(low)), rel=1e-3)  # K


def test_how_far_the_throttle_opened_is_told(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples.with_columns(throttle=pl.lit(82.0))
    found = check_envelope(reference, [NewLog(name="run.csv", samples=log)])
    assert any("the throttle reaches 82%" in text for text in found.warnings)


@pytest.mark.parametrize(
    ("pace", "factor", "status"),
    [(1.0, 0.96, "outside"), (3.0, 0.96, "inside"), (3.0, 1.06, "outside")],
)
def test_exhaust_that_lags_in_a_fast_run_is_judged_on_the_hot_side(pace, factor, status):
    rng = np.random.default_rng(7)
    world = World(channels=("exhaust_temperature_1", "lambda"), history=(3,) * 8)
    reference = make_reference(world, rng)
    log = new_log(world, rng, exhaust_temperature_1=factor).samples
    fast = log.with_columns(pl.col("time") / pace)
    found = check_envelope(reference, [NewLog(name="run.csv", samples=fast)])
    assert channel_of(found, "exhaust_temperature_1").status == status
    told = any("judged on the hot side only" in text for text in found.warnings)
    assert told is (pace > 2.0)


def test_a_held_speed_is_compared_at_the_nearest_speed_of_the_band(reference):
    log = new_log(WORLD, np.random.default_rng(2), **{"lambda": 1.08}).samples
    held = log.filter(pl.col("engine_speed").is_between(3900.0, 4100.0)).with_columns(
        engine_speed=pl.lit(4013.0), time=pl.int_range(pl.len()) * 0.2
    )
    found = check_envelope(reference, [NewLog(name="run.csv", samples=held)])
    one = channel_of(found, "lambda")
    assert (one.status, one.worst_rpm, one.share_outside) == ("outside", 4000.0, 1.0)
    assert {other.status for other in found.channels if other is not one} == {"not_covered"}


def test_a_channel_without_a_reading_tells_no_load(reference):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    dead = log.with_columns(throttle=pl.lit(None, dtype=pl.Float64))
    found = check_envelope(reference, [NewLog(name="run.csv", samples=dead)])
    assert found.logs[0].told_by == "boost"
    assert found.inside


@pytest.mark.parametrize(
    "spoil",
    [
        lambda log: log.head(0),
        lambda log: log.head(1),
        lambda log: log.reverse(),
        lambda log: log.with_columns(engine_speed=pl.lit(None, dtype=pl.Float64)),
        lambda log: log.with_columns(pl.lit(float("inf")).alias("lambda")),
        lambda log: log.with_columns(engine_speed=pl.col("engine_speed") * 0.1),
        lambda log: log.select("engine_speed", "throttle"),
    ],
)
def test_a_log_that_tells_nothing_is_never_inside(reference, spoil):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    found = check_envelope(reference, [NewLog(name="run.csv", samples=spoil(log))])
    assert found.verdict == "not_enough_covered"
    assert not found.inside


@pytest.mark.parametrize("missing", ["drop", "null"])
def test_a_log_without_a_clock_is_compared_all_the_same(reference, missing):
    log = new_log(WORLD, np.random.default_rng(2)).samples
    bare = (
        log.drop("time")
        if missing == "drop"
        else log.with_columns(time=pl.lit(None, dtype=pl.Float64))
    )
    assert check_envelope(reference, [NewLog(name="run.csv", samples=bare)]).inside
