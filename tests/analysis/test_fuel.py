from __future__ import annotations

import json

import numpy as np
import pytest
from beside_torque import FLOW, RPM, beside, column, pulls_of

from dynostats.analysis.channel_change import Exponent
from dynostats.analysis.fuel import consumption_g_kwh, measure_fuel
from dynostats.units import convert, power_kw

RUNS = ("AAA", "ABBA", "ABBA")
MIXTURE = Exponent(value=0.2, variance=0.02, df=1e6)
STOICHIOMETRIC = 14.7


def fuel_of(pulls, rng, *, sd=0.002, leaner=0.03, make_up=0.0, drop=(), **more):
    """Return channels: B runs leaner at the same air, on a fuel that takes other air to burn."""
    b = column([setup == "B" for setup in pulls.setup])
    noise = [sd * rng.standard_normal((len(pulls), 1)) for _ in range(3)]
    lam = 0.88 * (1.0 + 1e-5 * FLOW) * np.exp(leaner * b + noise[0])
    air = FLOW * np.exp(noise[1])
    fuel = air / (lam * STOICHIOMETRIC * (1.0 + make_up * b)) * np.exp(noise[2])
    read = {"lambda": lam, "air_flow": air, "fuel_flow": fuel}
    return beside(pulls, drop=drop, **(read | more))


def figures(found):
    return {one.name: one for one in found.figures}


def test_consumption_in_both_units_of_the_trade():
    # 0.5 lb/(hp h) is 304.1 g/kWh: 1 lb/(hp h) = 608.277 g/kWh, Wikipedia, 'Brake-specific fuel
    # consumption' (read 2026-11-28).
    fuel = 0.5 * 100.0 * 0.45359237
    power = convert(100.0, "hp", "kW")
    assert consumption_g_kwh(fuel, power) == pytest.approx(0.5 * 608.277, rel=1e-5)


def test_consumption_and_efficiency_of_a_known_engine():
    # 322 g/kWh is 25% of a fuel of 1 / 0.0122225 g/kWh a unit of efficiency; same page.
    assert 1.0 / (consumption_g_kwh(32.2, 100.0) * 0.0122225) == pytest.approx(0.254, abs=5e-4)


def test_consumption_is_fuel_over_power():
    pulls = pulls_of(*RUNS)
    found = measure_fuel(fuel_of(pulls, np.random.default_rng(1), leaner=0.0, sd=1e-4), MIXTURE)
    power = power_kw(300.0, RPM)
    true = (1000.0 * FLOW / (0.88 * (1.0 + 1e-5 * FLOW) * STOICHIOMETRIC) / power).mean()
    told = figures(found)["brake-specific fuel consumption"]
    assert told.baseline.value == pytest.approx(true, rel=0.01)
    assert told.unit == "g/kWh"


def test_at_equal_lambda_the_same_air_takes_the_same_fuel():
    found = measure_fuel(fuel_of(pulls_of(*RUNS), np.random.default_rng(2)), MIXTURE)
    told = figures(found)
    assert told["fuel flow"].change.value == pytest.approx(100 * np.expm1(-0.03), abs=0.5)
    equal = told["fuel flow at equal lambda"].change
    assert equal.low < 0.0 < equal.high


def test_another_fuel_shows_in_the_air_it_takes_to_burn():
    channels = fuel_of(pulls_of(*RUNS), np.random.default_rng(3), make_up=-0.05)
    told = figures(measure_fuel(channels, MIXTURE))
    burns = told["air to burn a kilogram of fuel, air / (fuel x lambda)"]
    assert burns.baseline.value == pytest.approx(STOICHIOMETRIC, rel=0.01)
    assert burns.change.low < -0.05 * STOICHIOMETRIC < burns.change.high
    assert burns.change.high < 0.0


def test_torque_at_equal_lambda_takes_the_mixture_out_with_its_doubt():
    channels = fuel_of(pulls_of(*RUNS), np.random.default_rng(4), sd=1e-5, leaner=0.05)
    told = figures(measure_fuel(channels, MIXTURE))
    equal = told["torque at equal lambda"].change
    # Torque is the same in all: at equal lambda the leaner one would have less, by c x 5%.
    assert equal.value == pytest.approx(100 * np.expm1(-0.2 * 0.05), abs=0.01)
    half = 1.96 * np.sqrt(0.02) * 0.05
    assert equal.low == pytest.approx(100 * np.expm1(-0.2 * 0.05 - half), abs=0.02)


def test_consumption_at_equal_lambda():
    channels = fuel_of(pulls_of(*RUNS), np.random.default_rng(5), sd=1e-5, leaner=0.05)
    told = figures(measure_fuel(channels, MIXTURE))
    equal = told["brake-specific fuel consumption at equal lambda"].change
    # Fuel falls by 5% with lambda and comes back; torque at equal lambda is c x 5% less.
    assert equal.value == pytest.approx(100 * np.expm1(0.2 * 0.05), abs=0.01)


def test_cylinders_stand_against_their_mean():
    pulls = pulls_of(*RUNS)
    rng = np.random.default_rng(6)
    b = column([setup == "B" for setup in pulls.setup])
    lam = 0.88 + 0.002 * rng.standard_normal((len(pulls), 1)) + 1e-5 * FLOW
    cylinders = {"lambda_1": lam + 0.02 * b, "lambda_2": lam - 0.02 * b}
    found = measure_fuel(fuel_of(pulls, rng, **cylinders), MIXTURE)
    first, second = found.cylinders
    assert first.change.value == pytest.approx(0.02, abs=1e-9)
    assert second.change.value == pytest.approx(-0.02, abs=1e-9)
    assert set(found.curve["quantity"]) >= {"lambda", "lambda_1", "lambda_2", "consumption_g_kwh"}


def test_cylinders_alone_stand_in_for_lambda():
    pulls = pulls_of(*RUNS)
    lam = 0.88 + 1e-5 * FLOW + column(np.linspace(0.0, 0.01, len(pulls)))
    channels = beside(pulls, lambda_1=0.98 * lam, lambda_2=1.02 * lam)
    told = figures(measure_fuel(channels, MIXTURE))
    assert told["lambda"].baseline.value == pytest.approx(0.89, abs=0.01)


@pytest.mark.parametrize("gone", ["fuel_flow", "lambda"])
def test_a_channel_missing_in_one_setup_is_named(gone):
    channels = fuel_of(pulls_of(*RUNS), np.random.default_rng(7), drop=[("B", gone)])
    mixture = None if gone == "lambda" else MIXTURE
    found = measure_fuel(channels, mixture)
    told = figures(found)
    if gone == "fuel_flow":
        assert "fuel flow" not in told
        assert "lambda" in told
        assert "no pull of 'B' has it: it was not logged" in found.cannot[0]
    else:
        assert "fuel flow" in told
        assert "torque at equal lambda" not in told
        assert "equal mixture cannot be compared" in found.cannot[0]


def test_knock_margin_is_never_claimed():
    found = measure_fuel(fuel_of(pulls_of(*RUNS), np.random.default_rng(8)), MIXTURE)
    (note,) = found.notes
    assert "None of these readings tells how far the engine is from knock" in note
    assert "licensed practice" in note


def test_without_fuel_and_lambda_there_is_nothing():
    assert measure_fuel(beside(pulls_of("ABBA"), air_flow=FLOW), None) is None


def test_a_single_pull_a_side_has_no_intervals():
    found = measure_fuel(fuel_of(pulls_of("AB"), np.random.default_rng(9)), MIXTURE)
    assert {one.change.low for one in found.figures} == {None}
    json.dumps(found.to_dict(), allow_nan=False)
