from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from pull_log import HIGH, LOW, log_of, sweep, torque_at

from dynostats.curves import Sweep, curve_of, find_sweeps
from dynostats.errors import InputError

# Written for this project (invented values): a blip, then a pull with a lift in its middle. Rows
# count from 1 after the header: 1 to 4 a blip (1500 to 4400 rpm), 8 to 26 part one of the pull
# (1700 to 4125 rpm), 29 to 52 part two after the lift (about 3600 to 6500 rpm). The ends of a rise
# may be placed one row either way.
BLIP_LIFT_PULL = Path(__file__).parent / "blip_lift_pull.csv"


def only_sweep(samples):
    found = find_sweeps(samples)
    assert len(found.pulls) == 1
    return found.pulls[0]


def blip_lift_pull():
    return pl.read_csv(BLIP_LIFT_PULL).rename(
        {
            "time_s": "time",
            "rpm": "engine_speed",
            "torque_Nm": "torque",
            "throttle_pct": "throttle",
        }
    )


def test_a_clean_pull_is_the_whole_log():
    found = find_sweeps(log_of(sweep()))
    assert [(p.first_row, p.last_row, p.steps) for p in found.pulls] == [(0, 250, False)]
    assert found.findings == ()


def test_of_blip_lift_and_pull_the_part_after_the_lift_is_used():
    found = find_sweeps(blip_lift_pull())
    (pull,) = found.pulls
    assert abs(pull.first_row - 28) <= 1
    assert abs(pull.last_row - 51) <= 1


def test_what_a_lift_cuts_off_is_reported_with_its_rows():
    found = find_sweeps(blip_lift_pull())
    said = " ".join(found.findings)
    assert "rows 8 to 26 rise from 1700 to 4125 rpm" in said
    assert "not monotonic" in said


def test_blip_lift_and_overrun_points_stay_out_of_the_curve():
    samples = blip_lift_pull()
    part_two = samples[28:51]
    curve = curve_of(samples, only_sweep(samples)).drop_nulls("torque")
    assert curve["rpm"].min() >= part_two["engine_speed"].min()
    assert curve["rpm"].max() <= part_two["engine_speed"].max()
    # Away from the ends the weights of a local-linear fit are positive and sum to 1, so it is off
    # by at most half the largest second derivative times h squared; h is 2.5 times 125 rpm.
    h = 2.5 * 125.0
    inner = curve.filter(pl.col("rpm").is_between(3750.0 + h, 6375.0 - h))
    bend = np.abs(np.diff(part_two["torque"].to_numpy(), 2)).max() / 125.0**2
    straight = np.interp(inner["rpm"], part_two["engine_speed"], part_two["torque"])
    assert inner.height > 30
    assert np.abs(inner["torque"] - straight).max() <= 0.5 * bend * h**2


def test_two_pulls_in_one_file_are_two_pulls():
    overrun = np.linspace(HIGH, LOW, 60)
    speed = np.concatenate([sweep(), overrun, sweep(), overrun])
    torque = np.concatenate([torque_at(sweep()), np.full(60, -25.0)] * 2)
    found = find_sweeps(log_of(speed, torque=torque))
    assert [(p.first_row, p.last_row) for p in found.pulls] == [(0, 250), (311, 561)]


def test_two_pulls_that_cover_different_speeds_are_one_pull_and_a_finding():
    speed = np.concatenate([sweep(150, 2000, 4000), np.linspace(4000, 3500, 20), sweep(250, 3500)])
    found = find_sweeps(log_of(speed))
    assert len(found.pulls) == 1
    assert found.pulls[0].last_row == len(speed) - 1
    assert "rows 1 to 150 rise from 2000 to 4000 rpm" in found.findings[0]


@pytest.mark.parametrize("held", [20, 50, 100, 200, 400])
def test_rows_held_before_the_sweep_do_not_bend_the_curve(held):
    # 0.4 s to 8 s at the start speed, warmer or colder than the sweep passes it: its torque is
    # 40 N.m off, as at part load or before the boost is there.
    rng = np.random.default_rng(held)
    before = LOW + rng.normal(0.0, 4.0, held)
    speed = np.concatenate([before, sweep()])
    torque = np.concatenate([np.full(held, torque_at(LOW) - 40.0), torque_at(sweep())])
    samples = log_of(speed, torque=torque)
    pull = only_sweep(samples)
    assert not pull.steps
    curve = curve_of(samples, pull).filter(pl.col("rpm") >= LOW + 100.0)
    assert curve["rpm"].max() == HIGH
    assert np.abs(curve["torque"] - torque_at(curve["rpm"])).max() < 0.1


@pytest.mark.parametrize("bounced", [20, 100, 200, 400])
def test_rows_at_the_limiter_do_not_bend_the_curve(bounced):
    # The limiter cuts every other pair of rows to 60 N.m while speed hovers at its limit: none of
    # that is the engine's full-load torque at 6500 rpm.
    rng = np.random.default_rng(bounced)
    speed = np.concatenate([sweep(), HIGH + rng.normal(0.0, 15.0, bounced)])
    cut = np.where(np.arange(bounced) % 4 < 2, torque_at(HIGH), 60.0)
    samples = log_of(speed, torque=np.concatenate([torque_at(sweep()), cut]))
    curve = curve_of(samples, only_sweep(samples)).drop_nulls("torque")
    assert curve["rpm"].min() == LOW
    assert curve["rpm"].max() >= HIGH - 100.0
    assert np.abs(curve["torque"] - torque_at(curve["rpm"])).max() < 1.0


def test_a_limiter_that_cuts_below_zero_torque_ends_the_pull():
    speed = np.concatenate([sweep(), np.full(40, HIGH)])
    torque = np.concatenate([torque_at(sweep()), np.tile([-20.0, -20.0, 300.0, 300.0], 10)])
    pull = only_sweep(log_of(speed, torque=torque))
    assert pull.last_row == 250


@pytest.mark.parametrize("dwell", [5, 20, 100])
def test_a_test_held_step_by_step_is_known_as_one(dwell):
    speed = np.repeat(np.arange(2000.0, 6501.0, 500.0), dwell)
    pull = only_sweep(log_of(speed))
    assert pull.steps
    assert (pull.first_row, pull.last_row) == (0, len(speed) - 1)


@pytest.mark.parametrize("rows", [30, 251, 4000])
def test_a_steady_sweep_is_never_taken_for_steps(rows):
    assert not only_sweep(log_of(sweep(rows))).steps


@pytest.mark.parametrize(("rows", "sd"), [(46, 25.0), (251, 20.0), (1000, 12.0), (4000, 10.0)])
def test_noise_of_the_speed_signal_does_not_cut_a_pull(rows, sd):
    clean = sweep(rows)
    noisy = clean + np.random.default_rng(rows).normal(0.0, sd, rows)
    pull = only_sweep(log_of(noisy, torque=torque_at(clean)))
    assert not pull.steps
    assert clean[pull.first_row] <= LOW + 150.0
    assert clean[pull.last_row] >= HIGH - 150.0


def test_rows_with_the_throttle_lifted_are_not_part_of_a_pull():
    throttle = np.full(251, 100.0)
    throttle[60:66] = 20.0
    pull = only_sweep(log_of(sweep(), throttle=throttle))
    assert (pull.first_row, pull.last_row) == (66, 250)


def test_what_a_throttle_lift_cuts_off_is_reported():
    # No row is left out without a word: here 60 rows at full load, 2000 to 3080 rpm.
    throttle = np.full(251, 100.0)
    throttle[60:66] = 20.0
    assert find_sweeps(log_of(sweep(), throttle=throttle)).findings


def test_a_throttle_channel_that_reads_zero_throughout_is_ignored():
    pull = only_sweep(log_of(sweep(), throttle=np.zeros(251)))
    assert (pull.first_row, pull.last_row) == (0, 250)


def test_one_spike_of_the_throttle_channel_does_not_lose_the_pull():
    throttle = np.full(251, 100.0)
    throttle[3] = 250.0
    pull = only_sweep(log_of(sweep(), throttle=throttle))
    assert pull.last_row == 250
    assert pull.first_row <= 4


def test_a_log_without_time_is_counted_by_rows():
    pull = only_sweep(log_of(sweep()).drop("time"))
    assert (pull.first_row, pull.last_row) == (0, 250)


def test_a_time_column_without_a_reading_is_as_good_as_none():
    pull = only_sweep(log_of(sweep(), time=np.full(251, np.nan)))
    assert (pull.first_row, pull.last_row) == (0, 250)


def test_a_gap_in_the_clock_does_not_make_a_blip_a_pull():
    # The blip lasts 9 rows; a 60 s gap inside it must not make it last longer than the pull.
    blip, fall = np.linspace(1500, 4400, 9), np.linspace(4400, 2000, 20)
    speed = np.concatenate([blip, fall, sweep()])
    time = np.arange(len(speed)) / 50.0
    time[5:] += 60.0
    pull = only_sweep(log_of(speed, time=time))
    assert pull.first_row in {28, 29}
    assert pull.last_row == 279


@pytest.mark.parametrize(
    "speed",
    [np.linspace(HIGH, LOW, 251), np.full(251, 3000.0), np.full(251, np.nan), np.array([])],
    ids=["falling", "constant", "no reading", "no row"],
)
def test_a_log_without_a_rise_holds_no_pull(speed):
    with pytest.raises(InputError, match="no pull in it") as caught:
        find_sweeps(log_of(speed))
    assert caught.value.mend


def test_a_rise_on_the_overrun_is_not_under_load():
    with pytest.raises(InputError, match="under load"):
        find_sweeps(log_of(sweep(), torque=np.full(251, -20.0)))


def test_seven_rows_are_too_few_and_eight_are_enough():
    with pytest.raises(InputError, match="at least 8 samples"):
        find_sweeps(log_of(sweep(7)))
    pull = only_sweep(log_of(sweep(8)))
    assert (pull.first_row, pull.last_row) == (0, 7)


def test_when_torque_collapses_the_pull_ends():
    torque = torque_at(sweep())
    torque[150:] = -5.0
    pull = only_sweep(log_of(sweep(), torque=torque))
    assert (pull.first_row, pull.last_row) == (0, 149)


def test_rows_without_engine_speed_do_not_cut_a_pull():
    speed = sweep()
    speed[[0, 100, 101, 102, 250]] = np.nan
    pull = only_sweep(log_of(speed, torque=torque_at(sweep())))
    assert pull.first_row <= 1
    assert pull.last_row >= 249


def test_one_missing_torque_reading_does_not_lose_half_a_pull():
    torque = torque_at(sweep())
    torque[125] = np.nan
    pull = only_sweep(log_of(sweep(), torque=torque))
    assert (pull.first_row, pull.last_row) == (0, 250)


def test_no_row_of_a_rise_is_left_out_without_a_word():
    # A dropout of the load cell reads below zero in one row: whatever is made of it, a pull that
    # loses half its speeds must say so.
    torque = torque_at(sweep())
    torque[125] = -3.0
    found = find_sweeps(log_of(sweep(), torque=torque))
    whole = [(p.first_row, p.last_row) for p in found.pulls] == [(0, 250)]
    assert whole or found.findings


@pytest.mark.parametrize("reading", [-3.0, np.nan])
def test_a_dropout_of_the_load_cell_does_not_dent_the_curve(reading):
    # One row of 251 reads nothing: told or not, it is no reading of the engine's torque.
    torque = torque_at(sweep())
    torque[125] = reading
    samples = log_of(sweep(), torque=torque)
    curve = curve_of(samples, only_sweep(samples)).drop_nulls("torque")
    assert np.abs(curve["torque"] - torque_at(curve["rpm"])).max() < 0.1


def test_a_log_without_torque_or_throttle_is_judged_by_speed_alone():
    pull = only_sweep(log_of(sweep()).select("time", "engine_speed"))
    assert (pull.first_row, pull.last_row) == (0, 250)


def test_samples_are_not_changed():
    samples = log_of(sweep())
    before = samples.clone()
    find_sweeps(samples)
    assert samples.equals(before)


@pytest.mark.parametrize("rows", [[100], [100, 101]])
@pytest.mark.parametrize("away", [600.0, -600.0, 4000.0])
def test_a_misread_engine_speed_does_not_end_the_pull(rows, away):
    speed = sweep()
    speed[rows] += away
    found = find_sweeps(log_of(speed, torque=torque_at(sweep())))
    (pull,) = found.pulls
    assert (pull.first_row, pull.last_row, pull.misread) == (0, 250, tuple(rows))
    assert len(found.findings) == len(rows)
    assert f"row 101 reads {speed[100]:.0f} rpm" in found.findings[0]
    whole, without = (
        curve_of(log_of(s, torque=torque_at(sweep())), only)
        for s, only in ((sweep(), Sweep(first_row=0, last_row=250)), (speed, pull))
    )
    assert without["rpm"].to_list() == whole["rpm"].to_list()
    away_nm = (without["torque"] - whole["torque"]).abs().max()
    assert away_nm < 0.05  # one row less of about 19 in the kernel, on a torque curve of 250 N.m


def test_engine_speed_that_leaps_everywhere_is_noise_and_all_rows_stay():
    speed = sweep()
    speed[20:240:20] += 200.0
    assert all(pull.misread == () for pull in find_sweeps(log_of(speed)).pulls)


def test_a_lift_of_the_throttle_is_no_misread_signal():
    # At 50 rows a second speed falls for 0.3 s and rises again: the pull was interrupted.
    low, fall, high = np.linspace(2000, 4000, 100), np.linspace(4000, 3500, 15), sweep(150, 3500)
    found = find_sweeps(log_of(np.concatenate([low, fall, high])))
    assert all(pull.misread == () for pull in found.pulls)
    assert len(found.pulls) + len(found.others) > 1
