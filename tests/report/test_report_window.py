from __future__ import annotations

import math

import pytest
from comparison_example import example_comparison, without_noise

from dynostats.errors import AnalysisError
from dynostats.report import window_effect


def test_one_speed_gives_that_speeds_own_bounds(result):
    row = result.curve.filter(rpm=4000.0).row(0, named=True)
    found = window_effect(result, low_rpm=4000, high_rpm=4000)
    assert found.n_speeds == 1
    assert found.effect_pct == pytest.approx(row["effect_pct"], rel=1e-12)
    assert found.low_pct == pytest.approx(row["low_pct"], rel=1e-12)
    assert found.high_pct == pytest.approx(row["high_pct"], rel=1e-12)


def test_two_speeds_give_the_geometric_mean_of_their_ratios(result):
    pair = result.curve.filter(result.curve["rpm"].is_in([4000.0, 4050.0]))
    one, two = (1 + value / 100 for value in pair["effect_pct"])
    found = window_effect(result, low_rpm=4000, high_rpm=4050)
    assert found.effect_pct == pytest.approx(100 * (math.sqrt(one * two) - 1), rel=1e-12)


def test_a_region_as_window_gives_the_regions_own_interval(result):
    region = result.regions[-1]
    found = window_effect(result, low_rpm=region.from_rpm, high_rpm=region.to_rpm)
    assert found.effect_pct == pytest.approx(region.effect_pct, rel=1e-12)
    assert found.low_pct == pytest.approx(region.low_pct, rel=1e-12)
    assert found.high_pct == pytest.approx(region.high_pct, rel=1e-12)


def test_the_ends_are_the_grid_speeds_inside(result):
    found = window_effect(result, low_rpm=3990, high_rpm=4160)
    assert (found.from_rpm, found.to_rpm, found.n_speeds) == (4000.0, 4150.0, 4)


def test_unknown_noise_gives_no_interval():
    found = window_effect(without_noise(), low_rpm=3000, high_rpm=5000)
    assert found.low_pct is None
    assert found.high_pct is None
    assert found.effect_pct > 0


def test_a_window_between_grid_speeds_is_refused_with_a_way_out(result):
    with pytest.raises(AnalysisError, match="no compared speed") as caught:
        window_effect(result, low_rpm=4010, high_rpm=4040)
    assert "2400 to 6800" in caught.value.mend


def test_swapping_baseline_and_candidate_inverts_the_ratio(result):
    curve = result.curve
    swap = [("effect_pct", "effect_pct"), ("low_pct", "high_pct"), ("high_pct", "low_pct")]
    swapped = example_comparison(
        curve=curve.with_columns(
            (100 * (1 / (1 + curve[other] / 100) - 1)).alias(name) for name, other in swap
        )
    )
    there = window_effect(result, low_rpm=3000, high_rpm=5000)
    back = window_effect(swapped, low_rpm=3000, high_rpm=5000)
    assert (1 + there.effect_pct / 100) * (1 + back.effect_pct / 100) == pytest.approx(1)
    assert (1 + there.low_pct / 100) * (1 + back.high_pct / 100) == pytest.approx(1)
