"""Pulls on one footing: correction, place of the torque, inertia; and what the paperwork says."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from studies import RPM, Day, frames_of, history

from dynostats.analysis.compare import compare
from dynostats.analysis.conditions import Conditions, Facts, read_facts
from dynostats.analysis.conditions.inertia import inertia_torque, sweep_rates
from dynostats.analysis.question import Question
from dynostats.curves.correction import STANDARDS, read_air
from dynostats.errors import AnalysisError

ASK = {"engine": "mill", "baseline": "A", "candidate": "B"}
MILD, HOT = (99.4, 22.0, 40.0), (97.2, 31.0, 55.0)


def with_air(pulls, by_session):
    """Return pulls with the air of their sessions, as (kPa, degC, %)."""
    return pulls.with_columns(
        pl.col("session")
        .replace_strict(
            {name: read[place] for name, read in by_session.items()},
            default=None,
            return_dtype=pl.Float64,
        )
        .alias(column)
        for place, column in enumerate(
            ("ambient_pressure_kpa", "ambient_temperature_c", "ambient_humidity_pct")
        )
    )


def two_days(*, now=MILD, later=HOT, sd=0.0005, past=MILD):
    """Return A on one day and B on another, with eight days of history; no difference."""
    past_days = history(8, sd=sd)
    pulls, curves = frames_of(
        Day(run="AAA", session="now", sd=sd), Day(run="BBB", session="later", sd=sd), *past_days
    )
    read = {"now": now, "later": later} | {day.session: past for day in past_days}
    return with_air(pulls, read), curves


def one_day(run="ABBA", air=MILD, **options):
    """Return A and B on one day in one air."""
    past_days = history(8, sd=options.get("sd", 0.004))
    pulls, curves = frames_of(Day(run=run, session="now", **options), *past_days)
    return with_air(pulls, {"now": air} | {day.session: air for day in past_days}), curves


def factor(name, air):
    return STANDARDS[name].factor(read_air(*air, where=""))


def ask(pulls, curves, correction="none", facts=None, channels=None, **question):
    conditions = Conditions(
        facts=facts or {}, **({} if channels is None else {"channels": channels})
    )
    asked = Question(**(ASK | question), correction=correction)
    return compare(pulls, curves, asked, conditions=conditions, draws=500)


def said(*rows):
    """Return attributes as the warehouse gives them: (pull, title, value), from the sheet."""
    return pl.DataFrame(
        [
            {
                "pull": pull,
                "origin": "sheet",
                "name": title.split("[")[0].strip(),
                "title": title,
                "value": value,
            }
            for pull, title, value in rows
        ]
    )


# Correction


@pytest.mark.parametrize("name", [n for n, s in STANDARDS.items() if s.ignition == "spark"])
def test_the_effect_moves_by_the_ratio_of_the_factors(name):
    pulls, curves = two_days()
    plain, corrected = ask(pulls, curves), ask(pulls, curves, name)
    assert corrected.correction == name
    ratio = factor(name, HOT) / factor(name, MILD)
    assert 1.0 + corrected.overall.effect_pct / 100.0 == pytest.approx(
        ratio * (1.0 + plain.overall.effect_pct / 100.0), rel=1e-9
    )


def test_in_one_air_a_correction_changes_no_percent_and_every_kilowatt():
    pulls, curves = one_day(effect=0.02)
    plain, corrected = ask(pulls, curves), ask(pulls, curves, "sae_j1349")
    for field in ("effect_pct", "low_pct", "high_pct"):
        assert getattr(corrected.overall, field) == pytest.approx(getattr(plain.overall, field))
    assert corrected.overall.effect_kw == pytest.approx(
        plain.overall.effect_kw * factor("sae_j1349", MILD)
    )


def test_different_air_widens_the_interval_by_the_error_of_the_readings():
    # With noise far below the error of the readings, what remains of the width is theirs:
    # two readings, each of 0.1 kPa, 1 K and 5 %, through the slope of the factor.
    pulls, curves = two_days(later=MILD, sd=2.5e-4)
    plain, corrected = ask(pulls, curves), ask(pulls, curves, "iso_1585")
    error = np.array(STANDARDS["iso_1585"].sensitivity(read_air(*MILD, where="")))
    expected = math.sqrt(2.0 * float(error @ error))
    half = math.log1p(corrected.overall.high_pct / 100.0) - math.log1p(
        corrected.overall.effect_pct / 100.0
    )
    # 97.5 % of the band mean in the family: 2.24 standard errors of a normal.
    assert half == pytest.approx(2.24 * expected, rel=0.12)
    assert half > 20.0 * math.log1p((plain.overall.high_pct - plain.overall.effect_pct) / 100.0)


def test_readings_shared_by_the_setups_of_a_session_cancel():
    pulls, curves = one_day(sd=1e-5)
    plain, corrected = ask(pulls, curves), ask(pulls, curves, "iso_1585")
    assert corrected.overall.high_pct == pytest.approx(plain.overall.high_pct, abs=1e-9)


def test_a_reading_for_each_setup_of_a_session_does_not_cancel():
    pulls, curves = one_day("AABB", sd=2.5e-4)
    later = pl.when(setup="B", session="now").then(pl.col("ambient_temperature_c") + 0.5)
    moved = pulls.with_columns(
        later.otherwise("ambient_temperature_c").alias("ambient_temperature_c")
    )
    same, different = (ask(frame, curves, "iso_1585") for frame in (pulls, moved))
    width = [one.overall.high_pct - one.overall.low_pct for one in (same, different)]
    assert width[1] > width[0] + 1.0


def test_readings_taken_at_every_pull_share_the_instrument_only():
    pulls, curves = one_day("ABBA", sd=2.5e-4)
    anew = pulls.with_columns(ambient_temperature_c=20.0 + 0.01 * pl.int_range(pl.len()))
    found = ask(anew, curves, "iso_1585").overall
    assert found.high_pct - found.low_pct < 0.1


def test_compared_pulls_without_readings_are_named():
    pulls, curves = two_days()
    bare = pl.when(setup="B").then(None)
    pulls = pulls.with_columns(
        bare.otherwise("ambient_temperature_c").alias("ambient_temperature_c")
    )
    with pytest.raises(AnalysisError, match="no reading of ambient_temperature") as refused:
        ask(pulls, curves, "sae_j1349")
    assert refused.value.where == "mill-later-1, mill-later-2, mill-later-3"
    assert "amend" in refused.value.mend
    assert ask(pulls, curves).corrections == ()


def test_history_without_readings_is_left_out_and_counted():
    pulls, curves = two_days()
    bare = pl.when(session="past-0").then(None)
    pulls = pulls.with_columns(bare.otherwise("ambient_pressure_kpa").alias("ambient_pressure_kpa"))
    found = ask(pulls, curves, "sae_j1349")
    assert any(text.startswith("3 other pulls without the readings") for text in found.warnings)
    assert found.noise.history_pulls == ask(pulls, curves).noise.history_pulls - 3


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        ((29.9, 22.0, 40.0), "reads like inHg"),
        ((99.4, 22.0, 140.0), "relative_humidity is 140"),
        ((99.4, 12.0, 40.0), "does not hold in this air"),
    ],
)
def test_impossible_or_unfit_air_is_refused_and_named(reading, words):
    pulls, curves = two_days(later=reading)
    with pytest.raises(AnalysisError, match=words) as refused:
        ask(pulls, curves, "iso_1585")
    assert "mill-later-1" in refused.value.where
    assert refused.value.mend
    assert ask(pulls, curves).verdict  # uncorrected it can be answered all the same


def test_a_factor_beyond_the_standard_is_marked():
    pulls, curves = two_days(later=(92.6, 33.0, 50.0))
    found = ask(pulls, curves, "jis_d_1001")
    marked = [text for text in found.warnings if "outside 0.93 to 1.07" in text]
    assert marked
    assert "mill-later-1, mill-later-2, mill-later-3" in marked[0]


# Files that somebody corrected already


def filed_by(pulls, curves, name, sessions, air):
    """Return curves whose torque in some sessions is multiplied by a standard's factor."""
    chosen = pulls.filter(pl.col("session").is_in(sessions))["pull"].to_list()
    scale = pl.when(pl.col("pull").is_in(chosen)).then(factor(name, air)).otherwise(1.0)
    return curves.with_columns(torque=pl.col("torque") * scale), chosen


def test_a_filed_correction_is_undone_exactly_by_its_readings_or_its_factor():
    pulls, curves = two_days()
    filed, chosen = filed_by(pulls, curves, "sae_j607", ["later"], HOT)
    plain = ask(pulls, curves)
    by_air = ask(pulls, filed, facts={one: Facts(correction="sae_j607") for one in chosen})
    stated = Facts(correction="sae_j607", correction_factor=factor("sae_j607", HOT))
    by_factor = ask(pulls, filed, facts=dict.fromkeys(chosen, stated))
    for found in (by_air, by_factor):
        assert found.correction == "none"
        assert found.overall.effect_pct == pytest.approx(plain.overall.effect_pct, abs=1e-9)


def test_undoing_by_a_factor_brings_no_error_and_by_readings_theirs():
    pulls, curves = two_days(sd=2.5e-4)
    filed, chosen = filed_by(pulls, curves, "sae_j607", ["later"], HOT)
    stated = Facts(correction="sae_j607", correction_factor=factor("sae_j607", HOT))
    exact = ask(pulls, filed, facts=dict.fromkeys(chosen, stated)).overall
    read = ask(pulls, filed, facts={one: Facts(correction="sae_j607") for one in chosen}).overall
    plain = ask(pulls, curves).overall
    assert exact.high_pct - exact.low_pct == pytest.approx(plain.high_pct - plain.low_pct, rel=1e-6)
    assert read.high_pct - read.low_pct > 0.5


def test_what_has_the_correction_already_is_not_corrected_twice():
    pulls, curves = two_days()
    filed, chosen = filed_by(pulls, curves, "din_70020", ["later"], HOT)
    facts = {one: Facts(correction="din_70020") for one in chosen}
    found = ask(pulls, filed, "din_70020", facts=facts)
    expected = ask(pulls, curves, "din_70020")
    assert found.overall.effect_pct == pytest.approx(expected.overall.effect_pct, abs=1e-9)


def test_what_all_sheets_declare_is_in_force_unless_something_is_asked():
    pulls, curves = one_day(effect=0.02)
    filed, chosen = filed_by(pulls, curves, "sae_j1349", pulls["session"].unique().to_list(), MILD)
    facts = {one: Facts(correction="sae_j1349") for one in chosen}
    declared = ask(pulls, filed, None, facts=facts)
    assert declared.correction == "sae_j1349"
    assert declared.overall.effect_kw == pytest.approx(
        ask(pulls, curves, "sae_j1349").overall.effect_kw
    )
    assert ask(pulls, filed, "none", facts=facts).overall.effect_kw == pytest.approx(
        ask(pulls, curves).overall.effect_kw
    )
    assert ask(pulls, curves, None).correction == "none"


def test_mixed_corrections_that_cannot_be_undone_are_refused_and_named():
    pulls, curves = two_days()
    pulls = pulls.drop("ambient_pressure_kpa")
    facts = {f"mill-later-{n}": Facts(correction="sae_j607") for n in (1, 2, 3)}
    with pytest.raises(AnalysisError, match="corrected by different standards") as refused:
        ask(pulls, curves, None, facts=facts)
    assert "none: mill-now-1, mill-now-2, mill-now-3; sae_j607: mill-later-1" in refused.value.what
    assert "mill-later-1" in refused.value.where
    with pytest.raises(AnalysisError, match="cannot be undone"):
        ask(pulls, curves, "none", facts=facts)


def test_mixed_corrections_that_can_be_undone_are_compared_uncorrected():
    pulls, curves = two_days()
    filed, chosen = filed_by(pulls, curves, "sae_j607", ["later"], HOT)
    found = ask(pulls, filed, None, facts={one: Facts(correction="sae_j607") for one in chosen})
    assert found.correction == "none"
    assert found.overall.effect_pct == pytest.approx(
        ask(pulls, curves).overall.effect_pct, abs=1e-9
    )


def test_a_correction_kept_without_its_readings_still_has_their_error():
    pulls, curves = two_days(later=MILD, sd=2.5e-4)
    bare = pulls.with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name)
        for name in ("ambient_pressure_kpa", "ambient_temperature_c", "ambient_humidity_pct")
    )
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(correction="iso_1585"))
    found = ask(bare, curves, None, facts=facts)
    assert found.correction == "iso_1585"
    assert found.overall.high_pct - found.overall.low_pct > 1.0


# Every standard at once


def test_every_standard_and_none_answer_and_those_that_differ_are_told():
    pulls, curves = two_days(sd=0.002)
    found = ask(pulls, curves)
    names = [one.name for one in found.corrections]
    assert names == ["none", *(n for n, s in STANDARDS.items() if s.ignition == "spark")]
    by_name = {one.name: one for one in found.corrections}
    assert by_name["none"].verdict == found.verdict
    assert by_name["none"].effect_pct == pytest.approx(found.overall.effect_pct)
    assert by_name["none"].low_pct == pytest.approx(found.overall.low_pct)
    for name, one in by_name.items():
        if name != "none":
            again = ask(pulls, curves, name)
            assert one.effect_pct == pytest.approx(again.overall.effect_pct, rel=1e-9)
            assert one.baseline_factor == pytest.approx((factor(name, MILD),) * 2)
            assert one.candidate_factor == pytest.approx((factor(name, HOT),) * 2)
        assert one.differs == (one.verdict != found.verdict)
    differing = [one.name for one in found.corrections if one.differs]
    assert differing
    told = [text for text in found.warnings if "hangs on the ambient correction" in text]
    assert len(told) == 1
    assert all(name in told[0] for name in differing)
    assert found.to_dict()["corrections"][1]["name"] == "sae_j1349"


def test_a_standard_that_does_not_hold_says_so_among_the_others():
    pulls, curves = two_days(later=(99.0, 37.0, 40.0))
    outcomes = {one.name: one for one in ask(pulls, curves).corrections}
    assert outcomes["iso_1585"].verdict is None
    assert "does not hold" in outcomes["iso_1585"].note
    assert outcomes["din_70020"].verdict is not None
    assert "outside 15 to 35" in outcomes["din_70020"].note


# Compression ignition


def fuel_channels(pulls, *, fuel_kg_h, boost_kpa=None):
    columns = {"rpm": RPM, "fuel_flow": fuel_kg_h * RPM / RPM[0]}
    if boost_kpa is not None:
        columns["compressor_out_pressure"] = np.full(len(RPM), boost_kpa)
    one = pl.DataFrame(columns)
    return pl.concat([one.with_columns(pull=pl.lit(name)) for name in pulls["pull"]])


def test_compression_ignition_uses_fuel_boost_and_displacement():
    pulls, curves = two_days()
    # Fuel rises with speed, so that it is the same a cycle: 120000 (12 / 3.6) / (2.4 x 2000) =
    # 83.33 mg/(l cycle), over a boost ratio of 2 in 99.4 kPa: 41.67, fm = 0.36.
    channels = fuel_channels(pulls, fuel_kg_h=12.0, boost_kpa=2.0 * MILD[0])
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(displacement_l=2.4))
    plain = ask(pulls, curves)
    found = ask(pulls, curves, "un_r85_ci_turbo", facts=facts, channels=channels)
    quantity = 120_000.0 * (12.0 / 3.6) / (2.4 * 2000.0)
    scale = [0.036 * quantity / (2.0 * MILD[0] / air[0]) - 1.14 for air in (MILD, HOT)]
    move = scale[1] * math.log(factor("un_r85_ci_turbo", HOT)) - scale[0] * math.log(
        factor("un_r85_ci_turbo", MILD)
    )
    assert math.log1p(found.overall.effect_pct / 100.0) == pytest.approx(
        math.log1p(plain.overall.effect_pct / 100.0) + move, abs=1e-9
    )


def test_a_stated_engine_factor_serves_where_fuel_was_not_logged():
    pulls, curves = two_days()
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(engine_factor=0.7, ignition="compression"))
    found = ask(pulls, curves, "iso_1585_ci", facts=facts)
    move = 0.7 * math.log(factor("iso_1585_ci", HOT) / factor("iso_1585_ci", MILD))
    plain = ask(pulls, curves).overall.effect_pct
    assert math.log1p(found.overall.effect_pct / 100.0) == pytest.approx(
        math.log1p(plain / 100.0) + move, abs=1e-9
    )
    assert {one.name for one in found.corrections} == {
        "none",
        *(n for n, s in STANDARDS.items() if s.ignition == "compression"),
    }


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (Facts(), "no displacement"),
        (Facts(displacement_l=2.4), "no fuel_flow"),
        (Facts(engine_factor=0.5, ignition="spark"), "is for compression ignition"),
    ],
)
def test_compression_ignition_without_what_it_needs_is_refused(facts, words):
    pulls, curves = two_days()
    facts = dict.fromkeys(pulls["pull"].to_list(), facts)
    with pytest.raises(AnalysisError, match=words):
        ask(pulls, curves, "un_r85_ci_turbo", facts=facts)


def test_turbo_without_its_pressure_is_refused():
    pulls, curves = two_days()
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(displacement_l=2.4))
    with pytest.raises(AnalysisError, match="pressure behind the compressor"):
        ask(
            pulls,
            curves,
            "un_r85_ci_turbo",
            facts=facts,
            channels=fuel_channels(pulls, fuel_kg_h=12.0),
        )


# Boost


def test_boost_in_different_air_is_warned_of():
    pulls, curves = two_days()
    boost = pl.DataFrame({"rpm": RPM, "manifold_pressure": np.full(len(RPM), 180.0)})
    channels = pl.concat([boost.with_columns(pull=pl.lit(name)) for name in pulls["pull"]])
    found = ask(pulls, curves, "sae_j1349", channels=channels)
    assert any("difference that is not there" in text for text in found.warnings)
    spring = dict.fromkeys(pulls["pull"].to_list(), Facts(compensated=False))
    calm = ask(pulls, curves, "sae_j1349", facts=spring, channels=channels)
    assert not any("not there" in text for text in calm.warnings)
    assert not any("not there" in text for text in ask(pulls, curves, channels=channels).warnings)


def test_compensated_boost_makes_the_factor_of_un_r85_one():
    pulls, curves = two_days()
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(compensated=True))
    plain = ask(pulls, curves)
    found = ask(pulls, curves, "un_r85", facts=facts)
    assert found.overall.effect_pct == pytest.approx(plain.overall.effect_pct)
    j1349 = ask(pulls, curves, "sae_j1349", facts=facts)
    assert any("it is so" in text for text in j1349.warnings)


# Where torque was measured


def test_torque_at_two_places_is_refused_with_the_pulls():
    pulls, curves = one_day()
    facts = {"mill-now-1": Facts(torque_at="hub"), "mill-now-2": Facts(torque_at="roller")}
    with pytest.raises(AnalysisError, match="different places") as refused:
        ask(pulls, curves, facts=facts)
    assert "hub: mill-now-1; roller: mill-now-2" in refused.value.what


def test_history_of_another_place_is_left_out_and_a_missing_place_is_told():
    pulls, curves = one_day()
    facts = {
        "mill-now-1": Facts(torque_at="hub"),
        **{f"mill-past-0-{n}": Facts(torque_at="engine") for n in (1, 2, 3)},
    }
    found = ask(pulls, curves, facts=facts)
    assert any("3 other pulls whose torque was measured at another" in t for t in found.warnings)
    assert any("mill-now-2" in t and "is not stated" in t for t in found.warnings)


# Inertia


def clocks(rates):
    """Return clocks of pulls swept at constant rates, rpm/s."""
    return pl.concat(
        [
            pl.DataFrame({"rpm": RPM, "time": 3.0 + (RPM - RPM[0]) / rate}).with_columns(
                pull=pl.lit(name)
            )
            for name, rate in rates.items()
        ]
    )


def test_sweep_rate_from_the_clock():
    # n(t) = 2000 + 300 t + 10 t^2: (dn/dt)^2 = 300^2 + 40 (n - 2000)
    expected = np.sqrt(90_000.0 + 40.0 * (RPM - 2000.0))
    time = (expected - 300.0) / 20.0
    rates = sweep_rates(time[None], RPM)[0]
    np.testing.assert_allclose(rates[1:-1], expected[1:-1], rtol=1e-4)
    np.testing.assert_allclose(rates[[0, -1]], expected[[0, -1]], rtol=0.01)
    broken = time.copy()
    broken[10:13] = np.nan
    around = sweep_rates(broken[None], RPM)[0]
    assert np.isnan(around[11])
    np.testing.assert_allclose(around[[9, 13]], expected[[9, 13]], rtol=0.01)


def test_inertia_torque():
    # 0.5 kg m2 at 300 rpm/s = 31.416 rad/s2: 15.708 N.m
    assert inertia_torque(np.array([0.5]), np.array([[300.0]]))[0, 0] == pytest.approx(15.70796)


def test_a_stated_inertia_takes_out_a_faster_sweep():
    pulls, curves = one_day(sd=1e-5)
    rates = {name: 600.0 if name[-1] in "23" else 300.0 for name in pulls["pull"]}
    spent = {name: 0.25 * rate * math.pi / 30.0 for name, rate in rates.items()}
    brake = curves.with_columns(
        torque=pl.col("torque") - pl.col("pull").replace_strict(spent, return_dtype=pl.Float64)
    )
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(inertia_kg_m2=0.25))
    faked = ask(pulls, brake, channels=clocks(rates))
    assert faked.overall.effect_pct == pytest.approx(-100.0 * 7.854 / 292.1, abs=0.05)
    whole = ask(pulls, brake, facts=facts, channels=clocks(rates))
    assert whole.overall.effect_pct == pytest.approx(0.0, abs=0.01)
    assert not any("swept at different rates" in text for text in whole.warnings)


def test_without_an_inertia_a_faster_sweep_is_told_with_what_it_could_fake():
    pulls, curves = one_day()
    rates = {name: 600.0 if name[-1] in "23" else 300.0 for name in pulls["pull"]}
    found = ask(pulls, curves, channels=clocks(rates))
    told = [text for text in found.warnings if "swept at different rates" in text]
    # 0.2 kg m2 x 31.416 rad/s2 = 6.28 N.m of 300
    assert "-2.09%" in told[0]
    assert "300 rpm/s and 600 rpm/s" in told[0]
    alike = dict.fromkeys(pulls["pull"].to_list(), 300.0)
    calm = ask(pulls, curves, channels=clocks(alike))
    assert not any("swept at different rates" in text for text in calm.warnings)


def test_an_inertia_stated_for_some_pulls_only_is_refused():
    pulls, curves = one_day()
    facts = {"mill-now-1": Facts(inertia_kg_m2=0.2)}
    with pytest.raises(AnalysisError, match="state an inertia and these do not") as refused:
        ask(pulls, curves, facts=facts)
    assert refused.value.where == "mill-now-2, mill-now-3, mill-now-4"


def test_an_inertia_without_a_clock_is_refused():
    pulls, curves = one_day()
    facts = dict.fromkeys(pulls["pull"].to_list(), Facts(inertia_kg_m2=0.2))
    with pytest.raises(AnalysisError, match="no sweep rate") as refused:
        ask(pulls, curves, facts=facts)
    assert "reingest" in refused.value.mend


# What the paperwork says


def test_attributes_are_read_with_their_units():
    facts = read_facts(
        said(
            ("P1", "inertia [kg.cm2]", "2500"),
            ("P1", "displacement [cc]", "1984"),
            ("P1", "torque_at", "Wheels"),
            ("P1", "correction", "SAE J1349"),
            ("P1", "correction_factor", "1.023"),
            ("P1", "boost_control", "closed loop"),
            ("P1", "ignition", "diesel"),
            ("P1", "tyres", "soft"),
        )
    )
    assert facts == {
        "P1": Facts(
            inertia_kg_m2=pytest.approx(0.25),
            displacement_l=pytest.approx(1.984),
            torque_at="roller",
            correction="sae_j1349",
            correction_factor=1.023,
            compensated=True,
            ignition="compression",
        )
    }


def test_an_amended_value_stands_before_the_column_of_the_sheet():
    frame = pl.concat(
        [
            said(("P1", "inertia [kg.m2]", "2.5"), ("P1", "inertia", "0.25")),
            said(("P1", "torque_at", "hub")).with_columns(origin=pl.lit("file")),
        ]
    )
    assert read_facts(frame)["P1"] == Facts(inertia_kg_m2=0.25, torque_at="hub")


@pytest.mark.parametrize(
    ("title", "value", "words"),
    [
        ("correction", "SAE", "corrected by 'SAE', which is no standard"),
        ("correction_factor", "1.02", "has a correction_factor but no correction"),
        ("torque_at", "somewhere", "must be engine, hub or roller"),
        ("inertia [kg.m2]", "-1", "must be a number from 0.001 to 100 kg.m2"),
        ("inertia [N.m]", "1", "must be a number"),
        ("displacement [L]", "two", "must be a number"),
        ("ignition", "steam", "must be spark or compression"),
    ],
)
def test_paperwork_that_cannot_be_read_is_refused_for_a_compared_pull(title, value, words):
    pulls, curves = one_day()
    with pytest.raises(AnalysisError, match=words) as refused:
        ask(pulls, curves, facts=read_facts(said(("mill-now-1", title, value))))
    assert refused.value.where == "mill-now-1"
    assert "amend mill-now-1" in refused.value.mend
    elsewhere = ask(pulls, curves, facts=read_facts(said(("mill-past-0-1", title, value))))
    assert any("1 other pull whose paperwork" in text for text in elsewhere.warnings)
