"""Every standard on simulated engines whose truth is known, pulled in changing weather."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from studies import wiggle

from dynostats.analysis.compare import compare
from dynostats.analysis.conditions import Conditions
from dynostats.analysis.question import Question
from dynostats.curves.correction import STANDARDS
from dynostats.simulate.full_load import run_engine
from dynostats.simulate.gas import Ambient
from dynostats.simulate.scenario import BREATHING_FOUR, DIESEL_FOUR

SPARK = [name for name, standard in STANDARDS.items() if standard.ignition == "spark"]
COOL = Ambient(pressure_kpa=100.6, temperature_c=18.0, relative_humidity_pct=45.0)
WARM = Ambient(pressure_kpa=97.4, temperature_c=30.0, relative_humidity_pct=60.0)


def study(engine, *days, seed=1, pull_sd=0.001, session_sd=0.002, effect=0.0):
    """Return pulls, curves and channels: (session, run, air) a day, torque by the engine model."""
    rng = np.random.default_rng(seed)
    rpm = np.arange(engine.rpm_low + 200.0, engine.rpm_high - 200.0, 50.0)
    pulls, curves = [], []
    for session, run, air in days:
        state = run_engine(engine, rpm, air)
        shift = rng.normal(0.0, session_sd)
        for order, setup in enumerate(run, 1):
            name = f"{session}-{order}"
            change = effect if setup == "B" else 0.0
            log_torque = np.log(state.torque_nm) + shift + change + wiggle(rng, rpm, pull_sd)
            pulls.append(
                {
                    "pull": name,
                    "file": f"{name}.csv",
                    "engine": "mill",
                    "dyno": "cell",
                    "session": session,
                    "setup": setup,
                    "order": order,
                    "started": None,
                    "state": "accepted",
                    "why": None,
                    "rpm_low": float(rpm[0]),
                    "rpm_high": float(rpm[-1]),
                    "ambient_pressure_kpa": air.pressure_kpa,
                    "ambient_temperature_c": air.temperature_c,
                    "ambient_humidity_pct": air.relative_humidity_pct,
                }
            )
            curves.append(
                pl.DataFrame(
                    {
                        "pull": [name] * len(rpm),
                        "rpm": rpm,
                        "torque": np.exp(log_torque),
                        "manifold_pressure": state.charge.manifold_kpa,
                    }
                )
            )
    schema = {"started": pl.Datetime, "why": pl.String}
    return pl.DataFrame(pulls, schema_overrides=schema), pl.concat(curves)


def weather(rng):
    return Ambient(
        pressure_kpa=float(rng.normal(99.0, 0.9)),
        temperature_c=float(np.clip(rng.normal(24.0, 3.5), 16.0, 34.0)),
        relative_humidity_pct=float(rng.uniform(30.0, 65.0)),
    )


def days_of(*last, past=12, seed=5):
    """Return past days of the baseline in changing weather, then the last ones."""
    rng = np.random.default_rng(seed)
    return [*((f"past-{n}", "AAA", weather(rng)) for n in range(past)), *last]


def ask(pulls, curves, correction=None):
    question = Question(engine="mill", baseline="A", candidate="B", correction=correction)
    return compare(pulls, curves, question, conditions=Conditions(channels=curves), draws=1000)


@pytest.fixture(scope="module")
def two_days():
    """A change worth nothing, its baseline pulled on a cool day and its candidate on a warm one."""
    return study(BREATHING_FOUR, *days_of(("cool", "AAA", COOL), ("warm", "BBB", WARM)))


def test_weather_is_no_loss_once_it_is_corrected(two_days):
    found = ask(*two_days)
    outcomes = {one.name: one for one in found.corrections}
    assert set(outcomes) == {"none", *SPARK}
    # Uncorrected, a change worth nothing shows as a loss of more than 4 %.
    assert outcomes["none"].effect_pct < -4.0
    width = outcomes["none"].high_pct - outcomes["none"].low_pct
    for name in set(SPARK) - {"din_70020"}:
        one = outcomes[name]
        assert one.low_pct < 0.0 < one.high_pct, name
        assert abs(one.effect_pct) < 0.8, name
        # The weather of past days is out of the noise too: the interval is narrower.
        assert one.high_pct - one.low_pct < 0.4 * width, name
    # DIN 70020 knows nothing of humidity and friction: it takes out half of it.
    assert -2.5 < outcomes["din_70020"].effect_pct < -1.5


def test_a_gain_hidden_by_the_weather_is_found_once_it_is_corrected():
    pulls, curves = study(
        BREATHING_FOUR, *days_of(("cool", "AAA", COOL), ("warm", "BBB", WARM)), effect=0.03
    )
    found = ask(pulls, curves)
    outcomes = {one.name: one for one in found.corrections}
    assert found.verdict != "gain"
    for name in ("sae_j1349", "iso_1585", "un_r85", "jis_d_1001"):
        assert outcomes[name].verdict == "gain"
        assert outcomes[name].differs
    assert any("hangs on the ambient correction" in text for text in found.warnings)


def test_in_one_session_every_standard_says_the_same():
    pulls, curves = study(BREATHING_FOUR, *days_of(("now", "ABBAAB", WARM)), effect=0.01)
    found = ask(pulls, curves)
    assert {one.verdict for one in found.corrections} == {found.verdict} == {"gain"}
    effects = [one.effect_pct for one in found.corrections]
    assert max(effects) - min(effects) < 1e-9
    assert not any(one.differs for one in found.corrections)


def test_correcting_boost_that_is_held_makes_a_difference_that_is_not_there():
    # Boost held at an absolute pressure: the barometer hardly matters, the correction adds it.
    low = replace(COOL, pressure_kpa=95.6)
    engine = replace(DIESEL_FOUR, ignition="spark")
    still = [(f"past-{n}", "AAA", COOL) for n in range(8)]
    pulls, curves = study(engine, *still, ("now", "AAA", COOL), ("low", "BBB", low))
    plain, corrected = ask(pulls, curves), ask(pulls, curves, "sae_j1349")
    assert abs(plain.overall.effect_pct) < 0.8
    assert corrected.overall.effect_pct > 5.0
    assert corrected.verdict == "gain"
    assert any("difference that is not there" in text for text in corrected.warnings)
