from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pull_log import HIGH, LOW, log_of, steepest_bend, sweep, torque_at

from dynostats.curves import GRID_STEP_RPM, Sweep, bandwidth_of, curve_of, find_sweeps, smooth
from dynostats.errors import InputError
from dynostats.units import power_kw, torque_nm

GRID = np.arange(2000.0, 6501.0, 50.0)


def whole(samples, **options):
    return Sweep(first_row=0, last_row=samples.height - 1, **options)


def slow_fit(speed, values, grid, h):
    """Return the local-linear fit by weighted least squares, one grid speed at a time."""
    fitted = np.full(len(grid), np.nan)
    for at, place in enumerate(grid):
        weight = np.sqrt(np.clip(1.0 - ((speed - place) / h) ** 2, 0.0, None))
        design = np.column_stack([np.ones_like(speed), speed - place]) * weight[:, None]
        fitted[at] = np.linalg.lstsq(design, weight * values, rcond=None)[0][0]
    return fitted


def test_the_grid_is_every_50_rpm_that_the_pull_covers():
    samples = log_of(sweep(low=2010.0, high=6490.0))
    curve = curve_of(samples, whole(samples))
    np.testing.assert_array_equal(curve["rpm"], np.arange(2050.0, 6451.0, GRID_STEP_RPM))


def test_a_straight_line_comes_back_exactly():
    speed = np.sort(np.random.default_rng(1).uniform(LOW, HIGH, 300))
    samples = log_of(speed, torque=100.0 + 0.05 * speed, boost=250.0 - 0.02 * speed)
    curve = curve_of(samples, whole(samples))
    np.testing.assert_allclose(curve["torque"], 100.0 + 0.05 * curve["rpm"], rtol=1e-10)
    np.testing.assert_allclose(curve["boost"], 250.0 - 0.02 * curve["rpm"], rtol=1e-10)


@settings(deadline=None, max_examples=40)
@given(
    speed=st.lists(st.floats(2000.0, 6500.0), min_size=60, max_size=120),
    level=st.floats(-500.0, 500.0),
    slope=st.floats(-1.0, 1.0),
)
def test_no_straight_line_is_bent_and_nothing_is_extrapolated(speed, level, slope):
    speed = np.array(speed)
    found = smooth(speed, (level + slope * speed)[:, None], GRID, bandwidth_rpm=150.0)[:, 0]
    known = np.isfinite(found)
    np.testing.assert_allclose(found[known], level + slope * GRID[known], rtol=1e-6, atol=1e-4)
    outside = (speed.min() > GRID) | (speed.max() < GRID)
    assert not known[outside].any()


def test_equals_weighted_least_squares_speed_by_speed():
    rng = np.random.default_rng(2)
    speed = np.sort(rng.uniform(LOW, HIGH, 400))
    values = torque_at(speed) + rng.normal(0.0, 5.0, 400)
    inside = GRID[(speed.min() <= GRID) & (speed.max() >= GRID)]
    fast = smooth(speed, values[:, None], inside, bandwidth_rpm=150.0)[:, 0]
    np.testing.assert_allclose(fast, slow_fit(speed, values, inside, 150.0), rtol=1e-9)


def test_the_bandwidth_is_150_rpm_or_two_and_a_half_rows():
    dense, sparse = log_of(sweep(251)), log_of(sweep(46))  # a row every 18 and every 100 rpm
    assert bandwidth_of(dense, whole(dense)) == 150.0
    assert bandwidth_of(sparse, whole(sparse)) == pytest.approx(250.0)


@pytest.mark.parametrize(("rows", "h"), [(2001, 150.0), (46, 250.0)])
def test_a_bent_curve_is_off_by_what_the_kernel_says(rows, h):
    # Fan & Gijbels (1996), theorem 3.1: bias f'' h^2 / 2 x second moment of the kernel, 1/5 for
    # Epanechnikov, away from the ends. Largest over the grid; the sum of rows stands for the
    # integral to a few percent at 46 rows.
    samples = log_of(sweep(rows))
    curve = curve_of(samples, whole(samples)).filter(pl.col("rpm").is_between(LOW + h, HIGH - h))
    bias = np.abs(curve["torque"] - torque_at(curve["rpm"])).max()
    assert bias == pytest.approx(steepest_bend(curve["rpm"]) * h**2 / 10.0, rel=0.1)


def test_a_gap_in_engine_speed_is_left_open():
    speed = sweep()
    speed = speed[(speed < 3900.0) | (speed > 4200.0)]
    samples = log_of(speed)
    curve = curve_of(samples, whole(samples))
    unknown = curve.filter(pl.col("torque").is_null())["rpm"].to_list()
    assert unknown == [3900.0, 3950.0, 4000.0, 4050.0, 4100.0, 4150.0, 4200.0]


def test_a_missing_reading_is_bridged_in_its_own_channel_alone():
    holed = 400.0 + 0.01 * sweep()
    holed[100:103] = np.nan
    short = 90.0 + 0.001 * sweep()
    short[150:] = np.nan  # the sensor fell off at 4700 rpm
    samples = log_of(sweep(), oil_pressure=holed, charge_temperature=short)
    curve = curve_of(samples, whole(samples))
    np.testing.assert_allclose(curve["oil_pressure"], 400.0 + 0.01 * curve["rpm"], rtol=1e-10)
    alone = curve_of(log_of(sweep()), whole(samples))
    np.testing.assert_array_equal(curve["torque"], alone["torque"])
    last = curve.drop_nulls("charge_temperature")["rpm"].max()
    assert last == 4650.0  # the last reading stands at 4682 rpm
    assert curve.filter(pl.col("rpm") > last)["charge_temperature"].is_null().all()


def test_a_channel_with_one_reading_or_none_has_no_curve():
    once = np.full(251, np.nan)
    once[10] = 5.0
    samples = log_of(sweep(), once=once, never=np.full(251, np.nan))
    curve = curve_of(samples, whole(samples))
    assert curve["once"].is_null().all()
    assert curve["never"].is_null().all()


def test_rows_without_engine_speed_are_left_out():
    samples = log_of(sweep())
    holed = samples.with_columns(
        engine_speed=pl.when(pl.int_range(pl.len()) == 100).then(None).otherwise("engine_speed")
    )
    without = samples.filter(pl.int_range(pl.len()) != 100)
    left, right = curve_of(holed, whole(holed)), curve_of(without, whole(without))
    np.testing.assert_allclose(left["torque"], right["torque"], rtol=1e-12)


def test_text_has_no_curve():
    samples = log_of(sweep()).with_columns(note=pl.lit("warm"), gear=pl.lit(4))
    assert curve_of(samples, whole(samples)).columns == ["rpm", "time", "torque", "gear"]


def test_the_clock_tells_when_the_sweep_passed_each_speed():
    samples = log_of(sweep())
    curve = curve_of(samples, whole(samples))
    passed = np.interp(curve["rpm"], samples["engine_speed"], samples["time"])
    np.testing.assert_allclose(curve["time"], passed, atol=0.02)


def test_steps_have_no_clock():
    speed = np.repeat(np.arange(2000.0, 4001.0, 250.0), 40)
    samples = log_of(speed)
    held = Sweep(first_row=0, last_row=len(speed) - 1, steps=True)
    assert curve_of(samples, held).columns == ["rpm", "torque"]


def test_rows_outside_the_sweep_do_not_count():
    samples = log_of(sweep(), torque=np.where(np.arange(251) < 125, 1000.0, torque_at(sweep())))
    pull = Sweep(first_row=125, last_row=250)
    found = curve_of(samples, pull)
    alone = curve_of(log_of(sweep()[125:]), Sweep(first_row=0, last_row=125))
    np.testing.assert_allclose(found["torque"], alone["torque"], rtol=1e-12)


def test_the_order_of_channels_and_rows_changes_nothing():
    samples = log_of(sweep(), boost=100.0 + 0.01 * sweep())
    turned = samples.select(reversed(samples.columns)).reverse()
    left, right = curve_of(samples, whole(samples)), curve_of(turned, whole(turned))
    np.testing.assert_allclose(left["torque"], right["torque"], rtol=1e-12)
    np.testing.assert_allclose(left["boost"], right["boost"], rtol=1e-12)


def test_a_pull_over_fewer_than_four_grid_speeds_is_refused():
    samples = log_of(np.linspace(3010.0, 3190.0, 40))  # 3050, 3100 and 3150
    with pytest.raises(InputError, match="covers only 3010 to 3190 rpm"):
        curve_of(samples, whole(samples))


def steps_log(every, dwell, *, sd=0.0, **channels):
    held = np.repeat(np.arange(2000.0, 6001.0, every), dwell)
    rng = np.random.default_rng(int(every) + dwell)
    return log_of(held + rng.normal(0.0, sd, len(held)), torque=torque_at(held), **channels)


def test_steps_are_averaged_step_by_step():
    # Straight between steps, so the fit through the means of the steps must be exact; the rows of a
    # step scatter by +-10 N.m about its mean.
    held = np.repeat(np.arange(2000.0, 6001.0, 500.0), 20)
    torque = 100.0 + 0.05 * held + np.tile([10.0, -10.0], len(held) // 2)
    samples = log_of(held, torque=torque)
    curve = curve_of(samples, find_sweeps(samples).pulls[0])
    np.testing.assert_allclose(curve["torque"], 100.0 + 0.05 * curve["rpm"], rtol=1e-9)


def test_a_long_step_weighs_no_more_than_a_short_one():
    levels = np.arange(2000.0, 6001.0, 250.0)
    even = log_of(np.repeat(levels, 20))
    uneven = log_of(np.repeat(levels, np.where(np.arange(len(levels)) % 2, 20, 60)))
    left = curve_of(even, whole(even, steps=True))
    right = curve_of(uneven, whole(uneven, steps=True))
    np.testing.assert_allclose(left["torque"], right["torque"], rtol=1e-9)


def test_rows_on_the_way_between_steps_are_left_out():
    parts, torque = [], []
    for level in np.arange(2000.0, 6001.0, 500.0):
        parts += [np.full(40, level), np.linspace(level, level + 500.0, 6)[1:-1]]
        torque += [np.full(40, torque_at(level)), np.full(4, 50.0)]
    moved = log_of(np.concatenate(parts), torque=np.concatenate(torque))
    still = steps_log(500.0, 40)
    left = curve_of(moved, whole(moved, steps=True))
    right = curve_of(still, whole(still, steps=True))
    np.testing.assert_allclose(left["torque"], right["torque"], rtol=1e-9)


def test_a_channel_missing_in_one_step_keeps_its_other_steps():
    oil = np.full(17 * 20, 400.0)
    oil[40:60] = np.nan  # the third of 17 steps
    samples = steps_log(250.0, 20, oil_pressure=oil)
    curve = curve_of(samples, whole(samples, steps=True))
    np.testing.assert_allclose(curve["oil_pressure"].drop_nulls(), 400.0, rtol=1e-9)
    assert curve["oil_pressure"].drop_nulls().len() > 0
    assert curve["torque"].null_count() == 0


@pytest.mark.parametrize("sd", [3.0, 8.0])
@pytest.mark.parametrize("every", [250.0, 500.0, 1000.0])
def test_a_speed_that_hunts_within_a_step_does_not_tear_it_apart(every, sd):
    # A controller holds speed to some rpm; every step is still one step of 50 rows.
    samples = steps_log(every, 50, sd=sd)
    pull = whole(samples, steps=True)
    curve = curve_of(samples, pull)
    assert curve["torque"].null_count() == 0
    assert bandwidth_of(samples, pull) == pytest.approx(2.5 * every, rel=0.02)


def test_power_and_torque_are_one_figure_at_a_given_speed():
    # P[kW] = T[N.m] n[rpm] pi / 30000: 100 kW at 100 N.m and 9549.3 rpm (1 N.m at 1 rad/s is 1 W).
    assert power_kw(100.0, 30_000.0 / np.pi) == pytest.approx(100.0, rel=1e-15)
    assert power_kw(1.0, 60.0 / (2.0 * np.pi)) == pytest.approx(0.001, rel=1e-15)
    speed = sweep()
    np.testing.assert_allclose(
        power_kw(torque_at(speed), speed), torque_at(speed) * speed * np.pi / 30_000.0, rtol=1e-15
    )
    np.testing.assert_allclose(torque_nm(power_kw(250.0, speed), speed), 250.0, rtol=1e-14)


def test_smoothing_torque_or_power_says_the_same_but_for_the_bias():
    # The two smoothed curves differ by the bias of a product: T' x h^2 / 5 in torque units at most.
    samples = log_of(sweep(), power=power_kw(torque_at(sweep()), sweep()))
    curve = curve_of(samples, whole(samples)).filter(pl.col("rpm").is_between(2150.0, 6350.0))
    back = torque_nm(curve["power"].to_numpy(), curve["rpm"].to_numpy())
    slope = 100.0 / 3500.0
    limit = slope * 150.0**2 / 5.0 / curve["rpm"].min()
    assert np.abs(back - curve["torque"]).max() <= 1.1 * limit
