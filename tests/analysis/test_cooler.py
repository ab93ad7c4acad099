from __future__ import annotations

import json

import numpy as np
import pytest
from beside_torque import FLOW, beside, column, pulls_of

from dynostats.analysis.channel_change import Exponent, find_changes
from dynostats.analysis.cooler import measure_cooler
from dynostats.analysis.cooler.physics import at_flows, density_kg_m3, effectiveness, resistance

RUNS = ("AAA", "ABBA", "ABBA")
WORTH = {
    "boost": Exponent(value=1.1, variance=0.01, df=1e6),
    "charge_temperature": Exponent(value=-0.7, variance=0.01, df=1e6),
}


def cooler_of(pulls, rng, *, sd=0.05, drop=(), **changed):
    """Return channels: A loses 3e-5 flow^2 / density, B twice that and cools better."""
    b = column([setup == "B" for setup in pulls.setup])
    hot, medium = 110.0 + 0.05 * FLOW, 28.0 + 0.0 * FLOW
    read = {
        "compressor_out_pressure": 190.0 + 0.0 * FLOW,
        "manifold_pressure": 190.0 - 3e-5 * (1.0 + b) * FLOW**2,
        "compressor_out_temperature": hot,
        "charge_temperature": hot - (0.7 + 0.1 * b) * (hot - medium),
        "cooler_medium_temperature": medium + 0.002 * FLOW,
        "air_flow": FLOW,
    }
    noisy = {
        name: value + sd * rng.standard_normal((len(pulls), 1)) for name, value in read.items()
    }
    return beside(pulls, drop=drop, **(noisy | changed))


def figures(found):
    return {one.name: one for one in found.figures}


def test_density_of_the_standard_atmosphere():
    # ICAO Doc 7488 / ISO 2533: 101.325 kPa and 15 degC give 1.225 kg/m3; at 5,000 m 54.020 kPa
    # and 255.650 K give 0.73612 kg/m3 (from memory).
    assert density_kg_m3(101.325, 15.0) == pytest.approx(1.225, abs=5e-5)
    assert density_kg_m3(54.020, 255.650 - 273.15) == pytest.approx(0.73612, abs=2e-5)


def test_effectiveness_by_its_definition():
    # 25 to 22 degC with 20 degC outside is 60%: worked example on calculator.academy,
    # 'Intercooler Efficiency Calculator', ten kelvin more here so that the ratio means something.
    found = effectiveness(np.array([70.0]), np.array([40.0]), np.array([20.0]))
    assert found == pytest.approx([0.6])


def test_no_effectiveness_where_charge_and_medium_are_hardly_apart():
    found = effectiveness(np.array([25.0, 20.0]), np.array([22.0, 21.0]), np.array([20.0, 30.0]))
    assert np.isnan(found).all()


def test_resistance_of_turbulent_flow_comes_back():
    flow = np.array([[100.0, 200.0, 400.0]])
    density = np.array([[1.5, 1.6, 1.7]])
    assert resistance(2e-5 * flow**2 / density, flow, density) == pytest.approx([2e-5])


def test_nothing_is_told_beyond_the_flows_of_a_pull():
    values, flow = np.array([[1.0, 2.0, 3.0]]), np.array([[300.0, 200.0, 100.0]])
    found = at_flows(values, flow, np.array([50.0, 150.0, 300.0]))
    np.testing.assert_allclose(found, [[np.nan, 2.5, 1.0]])


def test_the_known_change_is_measured():
    pulls = pulls_of(*RUNS)
    found = measure_cooler(cooler_of(pulls, np.random.default_rng(1)), WORTH)
    told = figures(found)
    loss = told["pressure loss"]
    true = float((3e-5 * FLOW**2).mean())
    assert loss.baseline.value == pytest.approx(true, abs=0.15)
    assert loss.change.low < true < loss.change.high
    assert (loss.baseline_pulls, loss.candidate_pulls) == (7, 4)
    effect = told["effectiveness"]
    assert effect.change.value == pytest.approx(0.1, abs=0.003)
    assert not found.cannot


def test_what_the_loss_is_worth_is_the_exponent_times_the_log_of_the_ratio():
    pulls = pulls_of(*RUNS)
    channels = cooler_of(pulls, np.random.default_rng(2), sd=0.001)
    told = figures(measure_cooler(channels, WORTH))
    worth = told["power, for the pressure lost"]
    mean = [np.log(1.0 - 3e-5 * k * FLOW**2 / 190.0).mean() for k in (1.0, 2.0)]
    assert worth.baseline.value == pytest.approx(100 * np.expm1(1.1 * mean[0]), abs=0.01)
    assert worth.change.value == pytest.approx(100 * np.expm1(1.1 * (mean[1] - mean[0])), abs=0.01)
    # With hardly any noise the interval is the exponent's own.
    half = 1.96 * 0.1 * abs(mean[1] - mean[0])
    low = 100 * np.expm1(1.1 * (mean[1] - mean[0]) - half)
    assert worth.change.low == pytest.approx(low, abs=0.02)


def test_loss_at_equal_flow_is_that_of_the_flow():
    found = measure_cooler(cooler_of(pulls_of(*RUNS), np.random.default_rng(3), sd=0.0), WORTH)
    at = found.by_flow
    # Straight lines between seven speeds lie a little above the parabola.
    np.testing.assert_allclose(at["baseline_kpa"], 3e-5 * at["flow_kg_h"] ** 2, rtol=0.02)
    np.testing.assert_allclose(at["change_kpa"], 3e-5 * at["flow_kg_h"] ** 2, rtol=0.02)


def test_swapping_the_sides_flips_the_sign():
    pulls = pulls_of(*RUNS)
    there = cooler_of(pulls, np.random.default_rng(4))
    back = type(there)(
        **{name: getattr(there, name) for name in ("pulls", "own", "compared", "alpha", "values")}
        | {"baseline": "B", "candidate": "A", "whys": there.whys}
    )
    one, other = (figures(measure_cooler(each, WORTH)) for each in (there, back))
    for name in ("pressure loss", "effectiveness", "density ratio"):
        assert one[name].change.value == pytest.approx(-other[name].change.value)


@pytest.mark.parametrize(
    ("gone", "lost", "kept"),
    [
        ("cooler_medium_temperature", "effectiveness", "density ratio"),
        ("air_flow", "flow resistance", "pressure loss"),
        ("compressor_out_pressure", "pressure loss", "effectiveness"),
    ],
)
def test_a_channel_missing_in_one_setup_is_named_and_the_rest_is_told(gone, lost, kept):
    channels = cooler_of(pulls_of(*RUNS), np.random.default_rng(5), drop=[("B", gone)])
    found = measure_cooler(channels, WORTH)
    assert not any(name.startswith(lost) for name in figures(found))
    assert kept in figures(found)
    told = " ".join(found.cannot)
    assert gone.replace("_", " ") in told
    assert "no pull of 'B' has it: it was not logged" in told


def test_gauge_pressure_is_not_taken_for_absolute():
    pulls = pulls_of(*RUNS)
    gauge = 190.0 - 99.0 - 60.0 + 0.01 * FLOW
    found = measure_cooler(
        cooler_of(pulls, np.random.default_rng(6), compressor_out_pressure=gauge), WORTH
    )
    assert "pressure loss" not in figures(found)
    assert "a gauge pressure" in " ".join(found.cannot)


def test_without_an_exponent_nothing_is_valued():
    found = measure_cooler(cooler_of(pulls_of(*RUNS), np.random.default_rng(7)), {})
    assert not any("power" in name for name in figures(found))
    assert any("worth in power cannot be told" in text for text in found.cannot)


def test_without_its_channels_there_is_no_cooler():
    pulls = pulls_of("ABBA")
    assert measure_cooler(beside(pulls, manifold_pressure=150.0 + 0.01 * FLOW), WORTH) is None


@pytest.mark.parametrize(
    ("runs", "why"),
    [
        (("AB",), "the run order does not tell a change from a drift"),
        (("AAA", "BBB"), "never shared a session"),
        (("ABA",), "too few pulls were repeated"),
    ],
)
def test_too_little_gives_the_number_without_an_interval(runs, why):
    found = measure_cooler(cooler_of(pulls_of(*runs), np.random.default_rng(8)), WORTH)
    loss = figures(found)["pressure loss"]
    assert loss.change.low is None
    assert why in loss.why
    json.dumps(found.to_dict(), allow_nan=False)


def test_heat_that_stays_in_the_medium_is_a_drift():
    pulls = pulls_of("ABBA", "ABBA")
    rng = np.random.default_rng(9)
    start = column(25.0 + 1.5 * (pulls.order - 1.0)) + 0.05 * rng.standard_normal((len(pulls), 1))
    ramp = np.linspace(0.0, 6.0, len(FLOW))
    channels = cooler_of(pulls, rng, cooler_medium_temperature=start + ramp)
    told = {one.name: one for one in measure_cooler(channels, WORTH).heat_soak}
    drift = told["cooler medium, drift over the run order"].change
    assert drift.low < 1.5 < drift.high
    assert drift.high - drift.low < 0.3
    assert told["cooler medium, rise in a pull"].baseline.value == pytest.approx(6.0)
    share = told["cooler medium, share of the rise gone before the next pull"]
    assert share.baseline.value == pytest.approx(100.0 * (6.0 - 1.5) / 6.0, abs=3.0)


def test_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(10)
    pulls = pulls_of("AAA", "ABBA", "AABB")
    own = np.arange(3, len(pulls))
    true, inside, studies = 0.5, 0, 1000
    session = rng.standard_normal((studies, 3))[:, [0] * 3 + [1] * 4 + [2] * 4]
    noise = rng.standard_normal((studies, len(pulls)))
    b = np.array([setup == "B" for setup in pulls.setup])
    drift = 0.3 * np.array(pulls.order)
    for values in true * b + session + noise + drift:
        found = find_changes(pulls, values[:, None], own, baseline="A", candidate="B", alpha=0.05)
        inside += abs(found.change[0] - true) <= found.change_half[0]
    # Binomial with 1,000 studies at 95%: 927 to 970 holds all but about 1 in 1,000.
    assert 927 <= inside <= 970
