from __future__ import annotations

import itertools

import numpy as np
import published
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student_t

from dynostats.analysis.verdict import Bounds, decide, find_regions, unknown_region

MARGIN = 0.5


def bounds_of(effect, half, *, near=None):
    """Return bounds by 50 rpm: effect +- half simultaneously, +- near at each speed alone."""
    effect = np.asarray(effect, dtype=float)
    half = np.broadcast_to(half, effect.shape)
    near = half if near is None else np.broadcast_to(near, effect.shape)
    return Bounds(
        rpm=2000.0 + 50.0 * np.arange(len(effect)),
        effect=effect,
        low=effect - half,
        high=effect + half,
        low_pointwise=effect - near,
        high_pointwise=effect + near,
    )


def regions_of(bounds, margin=MARGIN, shortest=150.0):
    found = find_regions(bounds, margin_pct=margin, shortest_rpm=shortest)
    return [(region.from_rpm, region.to_rpm, region.verdict) for region in found]


def verdict_of(bounds, overall=(-9.0, 9.0), margin=MARGIN):
    found = find_regions(bounds, margin_pct=margin, shortest_rpm=150.0)
    return decide(found, bounds, overall, margin_pct=margin)


def test_all_above_zero_is_a_gain():
    bounds = bounds_of(np.full(20, 2.0), 1.0)
    assert regions_of(bounds) == [(2000.0, 2950.0, "gain")]
    assert verdict_of(bounds) == "gain"


def test_all_below_zero_is_a_loss():
    bounds = bounds_of(np.full(20, -2.0), 1.0)
    assert regions_of(bounds) == [(2000.0, 2950.0, "loss")]
    assert verdict_of(bounds) == "loss"


def test_a_gain_below_and_a_loss_above_are_mixed():
    bounds = bounds_of([2.0] * 10 + [-2.0] * 10, 1.0)
    assert regions_of(bounds) == [(2000.0, 2450.0, "gain"), (2500.0, 2950.0, "loss")]
    assert verdict_of(bounds) == "mixed"


def test_wide_bounds_are_undecided_never_no_change():
    bounds = bounds_of(np.zeros(20), 3.0)
    assert regions_of(bounds) == [(2000.0, 2950.0, "undecided")]
    assert verdict_of(bounds) == "undecided"


def test_bounds_within_the_margin_are_no_meaningful_change():
    bounds = bounds_of(np.zeros(20), 0.3)
    assert regions_of(bounds) == [(2000.0, 2950.0, "no_meaningful_change")]
    assert verdict_of(bounds, (-0.2, 0.2)) == "no_meaningful_change"


def test_beyond_noise_but_within_the_margin_is_no_meaningful_change():
    bounds = bounds_of(np.full(20, 0.2), 0.1)
    assert regions_of(bounds) == [(2000.0, 2950.0, "no_meaningful_change")]
    assert verdict_of(bounds, (0.1, 0.3)) == "no_meaningful_change"


@pytest.mark.parametrize("touch", [0.5, -0.5])
def test_bounds_that_touch_the_margin_are_not_within_it(touch):
    bounds = bounds_of(np.full(20, touch / 2.0), 0.25)
    assert verdict_of(bounds) != "no_meaningful_change"
    assert regions_of(bounds)[0][2] != "no_meaningful_change"


@pytest.mark.parametrize(("margin", "verdict"), [(0.5, "undecided"), (1.5, "no_meaningful_change")])
def test_the_margin_decides_what_is_meaningful(margin, verdict):
    bounds = bounds_of(np.full(20, 0.3), 1.0)
    assert verdict_of(bounds, (-0.5, 1.1), margin) == verdict


def test_pointwise_bounds_of_the_whole_band_suffice_for_no_meaningful_change():
    # Berger & Hsu (1996): an intersection-union test needs no correction for many speeds.
    bounds = bounds_of(np.zeros(20), 0.9, near=0.3)
    assert regions_of(bounds) == [(2000.0, 2950.0, "no_meaningful_change")]
    assert verdict_of(bounds) == "no_meaningful_change"


def test_one_speed_outside_the_margin_forbids_no_meaningful_change():
    effect = np.zeros(20)
    effect[13] = 0.4
    assert verdict_of(bounds_of(effect, 0.9, near=0.3)) == "undecided"


def test_one_quiet_speed_within_a_gain_is_a_region_of_its_own_only_if_long_enough():
    effect = np.array([2.0] * 8 + [0.0] * 3 + [2.0] * 9)
    assert regions_of(bounds_of(effect, 1.0)) == [
        (2000.0, 2350.0, "gain"),
        (2400.0, 2500.0, "undecided"),
        (2550.0, 2950.0, "gain"),
    ]


@pytest.mark.parametrize(("count", "kept"), [(1, False), (2, False), (3, False), (4, True)])
def test_a_claim_over_less_than_150_rpm_is_dropped(count, kept):
    effect = np.zeros(20)
    effect[8 : 8 + count] = 2.0
    words = [word for _, _, word in regions_of(bounds_of(effect, 1.0))]
    assert ("gain" in words) == kept
    assert verdict_of(bounds_of(effect, 1.0)) == ("gain" if kept else "undecided")


def test_a_short_run_at_an_end_of_the_band_is_dropped_too():
    effect = np.zeros(20)
    effect[:3] = -2.0
    effect[17:] = 2.0
    assert regions_of(bounds_of(effect, 1.0)) == [(2000.0, 2950.0, "undecided")]


def test_the_band_mean_alone_can_carry_a_gain_or_a_loss():
    bounds = bounds_of(np.full(20, 1.0), 1.5)
    assert verdict_of(bounds, (0.2, 1.8)) == "gain"
    assert verdict_of(bounds_of(np.full(20, -1.0), 1.5), (-1.8, -0.2)) == "loss"


def test_a_band_mean_within_the_margin_carries_nothing():
    bounds = bounds_of(np.full(20, 0.2), 1.5)
    assert verdict_of(bounds, (0.05, 0.35)) == "undecided"


def test_a_losing_mean_and_a_gaining_region_are_mixed():
    bounds = bounds_of([2.0] * 6 + [-1.2] * 14, [1.0] * 6 + [1.5] * 14)
    assert verdict_of(bounds, (-1.0, -0.1)) == "mixed"


def test_a_verdict_and_its_regions_do_not_contradict_each_other():
    # +0.3% with 0.15% pointwise and 0.28% simultaneously: within the margin of 0.5% at every speed
    # and above zero at every speed. Either answer may be given, both at once may not.
    bounds = bounds_of(np.full(20, 0.3), 0.28, near=0.15)
    words = {word for _, _, word in regions_of(bounds)}
    if verdict_of(bounds, (0.1, 0.5)) == "no_meaningful_change":
        assert not words & {"gain", "loss"}


def test_a_region_says_the_mean_of_effect_and_bounds():
    bounds = bounds_of(np.linspace(1.0, 3.0, 20), 0.5)
    (region,) = find_regions(bounds, margin_pct=MARGIN, shortest_rpm=150.0)
    # On the log scale, as the bounds are; percent and log percent differ little at this size.
    for found, values in (
        (region.effect_pct, bounds.effect),
        (region.low_pct, bounds.low),
        (region.high_pct, bounds.high),
    ):
        geometric = 100.0 * (np.prod(1.0 + values / 100.0) ** (1.0 / 20.0) - 1.0)
        assert found == pytest.approx(geometric)
    assert region.low_pct < region.effect_pct < region.high_pct


def test_without_bounds_the_whole_band_is_undecided():
    region = unknown_region(np.array([2000.0, 2050.0, 2100.0]), np.array([1.0, 2.0, 3.0]))
    assert (region.from_rpm, region.to_rpm, region.verdict) == (2000.0, 2100.0, "undecided")
    assert region.effect_pct == pytest.approx(2.0)
    assert (region.low_pct, region.high_pct) == (None, None)


@st.composite
def any_bounds(draw):
    speeds = draw(st.integers(4, 40))
    effect = draw(st.lists(st.floats(-5.0, 5.0), min_size=speeds, max_size=speeds))
    half = draw(st.lists(st.floats(0.01, 4.0), min_size=speeds, max_size=speeds))
    share = draw(st.floats(0.3, 1.0))
    return bounds_of(effect, np.array(half), near=share * np.array(half))


@settings(deadline=None)
@given(bounds=any_bounds(), margin=st.floats(0.05, 3.0))
def test_regions_cover_the_band_without_gap_or_overlap(bounds, margin):
    regions = find_regions(bounds, margin_pct=margin, shortest_rpm=150.0)
    speeds = [
        speed
        for region in regions
        for speed in bounds.rpm[(bounds.rpm >= region.from_rpm) & (bounds.rpm <= region.to_rpm)]
    ]
    assert speeds == bounds.rpm.tolist()
    assert all(one.verdict != other.verdict for one, other in itertools.pairwise(regions))


@settings(deadline=None)
@given(bounds=any_bounds(), margin=st.floats(0.05, 3.0))
def test_what_a_region_claims_holds_at_every_speed_of_it(bounds, margin):
    for region in find_regions(bounds, margin_pct=margin, shortest_rpm=150.0):
        own = (bounds.rpm >= region.from_rpm) & (bounds.rpm <= region.to_rpm)
        low, high = bounds.low[own], bounds.high[own]
        if region.verdict == "gain":
            assert (low > 0.0).all()
        elif region.verdict == "loss":
            assert (high < 0.0).all()
        elif region.verdict == "no_meaningful_change":
            if own.all():  # a claim about the band fixed beforehand: pointwise bounds suffice
                low, high = bounds.low_pointwise, bounds.high_pointwise
            assert (low > -margin).all()
            assert (high < margin).all()
        if region.verdict != "undecided":
            assert region.to_rpm - region.from_rpm >= 150.0


@settings(deadline=None)
@given(bounds=any_bounds(), margin=st.floats(0.05, 3.0), mean=st.floats(-2.0, 2.0))
def test_swapping_the_sides_swaps_gain_and_loss(bounds, margin, mean):
    flipped = Bounds(
        rpm=bounds.rpm,
        effect=-bounds.effect,
        low=-bounds.high,
        high=-bounds.low,
        low_pointwise=-bounds.high_pointwise,
        high_pointwise=-bounds.low_pointwise,
    )
    swap = {"gain": "loss", "loss": "gain"}
    one = verdict_of(bounds, (mean - 0.4, mean + 0.4), margin)
    other = verdict_of(flipped, (-mean - 0.4, -mean + 0.4), margin)
    assert other == swap.get(one, one)
    assert [(a, b, swap.get(word, word)) for a, b, word in regions_of(bounds, margin)] == (
        regions_of(flipped, margin)
    )


@pytest.mark.parametrize(("margin", "equivalent"), [(1.0, True), (0.6, False)])
def test_equivalence_of_the_shoes_at_both_published_margins(margin, equivalent):
    # Two one-sided tests of the paired shoes (statsmodels ttost_paired): p = 0.00047 at +-1 and
    # 0.0775 at +-0.6, so equivalent at 5% within the first margin only.
    near = student_t.ppf(0.95, published.SHOES_DF) * published.SHOES_SE
    wide = student_t.ppf(0.975, published.SHOES_DF) * published.SHOES_SE
    bounds = bounds_of(np.full(20, published.SHOES_MEAN), wide, near=near)
    assert bounds.low_pointwise[0] == pytest.approx(published.SHOES_CI90[0])
    assert bounds.high_pointwise[0] == pytest.approx(published.SHOES_CI90[1])
    assert (verdict_of(bounds, margin=margin) == "no_meaningful_change") == equivalent
