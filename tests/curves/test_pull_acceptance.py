"""What one pull's own log says of it: void, doubtful, a danger; nothing of an ordinary pull."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from pull_log import log_of, sweep, torque_at

from dynostats.arrays import Channels
from dynostats.curves import curve_of, find_sweeps
from dynostats.curves.acceptance import DANGERS, Evidence, judge_pull, measure_cylinders, why_void
from dynostats.ingest import read_log

# Written for this project with invented values; what each file holds stands in its README.
MESSY = Path(__file__).parents[1] / "ingest" / "messy"
SPEED = sweep()


def noisy(values, sd):
    noise = np.random.default_rng(11).standard_normal(len(values))
    return np.asarray(values, dtype=float) + sd * noise


def judge(samples):
    """Judge the only pull of a log as the intake does."""
    sweeps = find_sweeps(samples)
    (pull,) = sweeps.pulls
    return judge_pull(
        Evidence(
            samples=Channels.of(samples),
            sweep=pull,
            curve=Channels.of(curve_of(samples, pull)),
            others=sweeps.others,
            last_row=samples.height - 1,
        )
    )


def checks(samples):
    return [(finding.check, finding.severity) for finding in judge(samples)]


def messy(name):
    return read_log((MESSY / name).read_bytes(), name=name)


def test_an_ordinary_pull_has_no_findings():
    samples = log_of(
        SPEED,
        torque=noisy(torque_at(SPEED), 1.0),
        fuel_pressure=noisy(np.full(251, 300.0), 1.5),
        oil_pressure=noisy(np.minimum(120.0 + 0.075 * SPEED, 430.0), 2.0),
        lambda_1=noisy(np.full(251, 0.88), 0.003),
        lambda_2=noisy(np.full(251, 0.89), 0.003),
        exhaust_temperature_1=np.round(noisy(np.linspace(700.0, 860.0, 251), 1.5)),
        exhaust_temperature_2=np.round(noisy(np.linspace(715.0, 880.0, 251), 1.5)),
    )
    assert judge(samples) == ()


# --- full load all the way up ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lost", "check", "severity"),
    [
        (0.70, "torque_collapsed", "void"),
        (0.40, "torque_collapsed", "void"),
        (0.25, "torque_sagged", "doubtful"),
    ],
)
@pytest.mark.parametrize("comes_back", [True, False])
def test_torque_that_falls_away_inside_the_pull(lost, check, severity, comes_back):
    torque = torque_at(SPEED)
    torque[120 : 170 if comes_back else 251] *= 1.0 - lost
    (finding,) = judge(log_of(SPEED, torque=torque))
    assert (finding.check, finding.severity) == (check, severity)
    assert ("comes back" in finding.message) == comes_back
    assert f"between {4000:.0f}" in finding.message or "between 3950" in finding.message


def test_a_torque_curve_that_falls_by_half_over_the_whole_pull_is_its_own():
    assert checks(log_of(SPEED, torque=np.linspace(400.0, 200.0, 251))) == []


def test_torque_that_rises_steeply_as_boost_comes_is_no_fault():
    assert (
        checks(log_of(SPEED, torque=200.0 + 200.0 / (1 + np.exp((3000.0 - SPEED) / 100.0)))) == []
    )


def test_a_limiter_at_the_end_does_not_void_the_pull():
    torque = torque_at(SPEED)
    torque[-8:] *= 0.4
    assert checks(log_of(SPEED, torque=torque)) == [("torque_fell_at_end", "doubtful")]


def test_a_lift_in_the_middle_voids_the_pull_and_says_where():
    speed = np.concatenate([sweep(120, 2000.0, 4400.0), sweep(20, 4400.0, 3600.0)[1:]])
    speed = np.concatenate([speed, sweep(130, 3610.0, 6500.0)])
    torque = torque_at(speed)
    torque[120:139] = -20.0
    (finding,) = judge(log_of(speed, torque=torque))
    assert (finding.check, finding.severity) == ("speed_reversed", "void")
    assert "from 4400 to 36" in finding.message
    assert "row 120" in finding.message


def test_the_shared_log_with_a_blip_and_a_lift_is_void_for_the_lift():
    # 08: a blip before the pull (rows 1 to 4), part one (8 to 26), part two (29 to 52).
    (finding,) = judge(messy("08_rpm_not_monotonic_blip.csv").samples)
    assert (finding.check, finding.severity) == ("speed_reversed", "void")
    assert "from 4125 to" in finding.message


def test_a_blip_before_a_whole_pull_voids_nothing():
    blip = np.concatenate([np.linspace(1200.0, 4500.0, 9), np.linspace(4500.0, 2000.0, 12)])
    speed = np.concatenate([blip, SPEED])
    torque = torque_at(speed)
    torque[9:21] = -20.0
    assert checks(log_of(speed, torque=torque)) == []


def test_a_false_start_before_a_whole_pull_voids_nothing():
    speed = np.concatenate([sweep(80, 2000.0, 3400.0), sweep(30, 3400.0, 2000.0)[1:], SPEED])
    torque = torque_at(speed)
    torque[80:108] = -20.0
    assert checks(log_of(speed, torque=torque)) == []


def test_load_that_is_lost_while_speed_rises_on_voids_the_pull():
    torque = torque_at(SPEED)
    torque[150:] = -5.0
    (finding,) = judge(log_of(SPEED, torque=torque))
    assert (finding.check, finding.severity) == ("load_lost", "void")
    assert "6500" in finding.message


def test_the_throttle_shut_at_the_end_is_no_loss_of_load():
    speed = np.concatenate(
        [SPEED, SPEED[-1] + 30.0 * np.sin(np.linspace(0, 3, 10)), sweep(20, 6400, 5000)]
    )
    torque = torque_at(speed)
    torque[251:] = -40.0
    assert checks(log_of(speed, torque=torque)) == []


def test_a_test_in_steps_has_no_findings():
    levels = np.repeat(np.arange(2000.0, 6001.0, 500.0), 60)
    speed = noisy(levels, 2.0)
    assert checks(log_of(speed, torque=noisy(torque_at(levels), 1.0))) == []


# --- channels ------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", [40, 125, 200])
@pytest.mark.parametrize("jump", [40.0, -40.0])
def test_one_spike_is_found_with_its_row(row, jump):
    torque = noisy(torque_at(SPEED), 1.0)
    torque[row] += jump
    (finding,) = judge(log_of(SPEED, torque=torque))
    assert (finding.check, finding.severity) == ("spiked", "doubtful")
    assert f"torque jumps in 1 sample(s), first in row {row + 1};" in finding.message


def test_a_step_that_stays_is_no_spike():
    charge = noisy(np.where(SPEED < 4000.0, 40.0, 46.0), 0.1)
    assert checks(log_of(SPEED, charge_temperature=charge)) == []


def test_a_coarse_channel_that_flickers_by_its_resolution_is_no_spike():
    heat = np.round(noisy(np.linspace(700.0, 850.0, 251), 0.6))
    assert checks(log_of(SPEED, exhaust_temperature_1=heat)) == []


def test_spikes_outside_the_pull_are_not_told():
    speed = np.concatenate([SPEED, np.linspace(6400.0, 3000.0, 60)])
    torque = torque_at(speed)
    torque[251:] = -30.0
    charge = np.linspace(30.0, 50.0, len(speed))
    charge[290] += 20.0
    assert checks(log_of(speed, torque=torque, charge_temperature=charge)) == []


def test_missing_readings_hide_no_spike():
    charge = noisy(np.linspace(30.0, 50.0, 251), 0.1)
    charge[[30, 31, 90]] = np.nan
    charge[140] += 6.0
    (finding,) = judge(log_of(SPEED, charge_temperature=charge))
    assert "row 141" in finding.message


def test_a_channel_at_its_limit_here_and_there():
    # Noise takes it below its limit every few samples, so that it never stands still for long.
    boost = np.minimum(noisy(np.linspace(150.0, 198.0, 251), 3.0), 195.0)
    found = judge(log_of(SPEED, manifold_pressure=boost))
    assert [(f.check, f.severity) for f in found] == [("saturated", "doubtful")]
    assert "highest value, 195" in found[0].message


def test_a_plateau_with_its_own_noise_is_not_at_a_limit():
    boost = np.round(noisy(np.full(251, 195.0), 0.3), 1)
    assert checks(log_of(SPEED, manifold_pressure=boost)) == []


def test_the_shared_logs_with_gaps_and_a_flat_line_are_doubtful_not_void():
    # 09 and 10: what their reader found is doubtful; as pulls they are whole.
    for name, check in (("09_time_gaps.csv", "clock_gap"), ("10_sensor_flatline.csv", "flat_line")):
        log = messy(name)
        assert check in [finding.check for finding in log.findings]
        assert judge(log.samples) == ()
        assert why_void(log.findings) is None


# --- dangers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lost", "check", "severity"),
    [
        (0.40, "fuel_pressure_lost", "void"),
        (0.15, "fuel_pressure_falls", "doubtful"),
    ],
)
def test_fuel_pressure_that_falls_is_a_danger_first(lost, check, severity):
    pressure = 300.0 * (1.0 - lost * np.clip((SPEED - 4000.0) / 1500.0, 0.0, 1.0))
    (finding,) = judge(log_of(SPEED, fuel_pressure=pressure))
    assert (finding.check, finding.severity) == (check, severity)
    assert check in DANGERS
    assert finding.message.startswith("Danger to the engine: at full load")
    assert "qualified" in finding.message
    assert f"falls by {lost:.0%}" in finding.message


def test_why_a_pull_is_void_is_said_without_the_warning():
    pressure = np.linspace(300.0, 150.0, 251)
    reason = why_void(judge(log_of(SPEED, fuel_pressure=pressure)))
    assert reason.startswith("void: Fuel pressure falls by")
    assert "Danger" not in reason


def test_fuel_pressure_may_give_up_what_boost_gives_up():
    boost = np.where(SPEED < 4500.0, 200.0, 200.0 - (SPEED - 4500.0) / 25.0)
    samples = log_of(SPEED, manifold_pressure=boost, fuel_pressure=200.0 + boost)
    assert checks(samples) == []
    assert [c for c, _ in checks(samples.drop("manifold_pressure"))] == ["fuel_pressure_falls"]


def test_a_high_pressure_rail_is_left_to_history():
    assert checks(log_of(SPEED, fuel_pressure=np.linspace(160_000.0, 110_000.0, 251))) == []


def test_oil_pressure_that_falls_while_speed_rises_is_a_danger():
    pressure = np.where(SPEED < 5000.0, 400.0, 400.0 - (SPEED - 5000.0) / 12.0)
    (finding,) = judge(log_of(SPEED, oil_pressure=pressure))
    assert (finding.check, finding.severity) == ("oil_pressure_falls", "doubtful")
    assert finding.message.startswith("Danger to the engine: bearings fail")


def test_oil_pressure_below_the_cautious_limit_is_told_and_keeps_the_pull():
    (finding,) = judge(log_of(SPEED, oil_pressure=np.full(251, 180.0)))
    assert (finding.check, finding.severity) == ("oil_pressure_low", "note")
    assert "28 kPa for every 1,000 rpm" in finding.message  # 180 kPa at 6,500 rpm


def lambdas(*offsets, mean=0.88):
    return {
        f"lambda_{number}": np.full(251, mean) + offset
        for number, offset in enumerate(offsets, start=1)
    }


def test_the_leanest_cylinder_is_named_with_where_it_is():
    lean = np.where(SPEED > 5000.0, 0.10 * (SPEED - 5000.0) / 1500.0, 0.0)
    (finding,) = judge(log_of(SPEED, **lambdas(0.0, lean, 0.0, 0.0)))
    assert (finding.check, finding.severity) == ("lean_cylinder", "note")
    assert finding.message.startswith("Danger to the engine: a cylinder that runs lean")
    assert "the leanest there is cylinder 2" in finding.message
    assert "at 6500 rpm" in finding.message


def test_one_cylinder_beyond_stoichiometric_in_a_rich_engine_is_told():
    (finding,) = judge(log_of(SPEED, **lambdas(-0.012, 0.036, -0.012, -0.012, mean=0.965)))
    # The spread, 0.048, is within its limit; cylinder 2 runs at 1.00 while the mean is 0.965.
    assert finding.check == "lean_cylinder"
    assert "Cylinder 2 runs at lambda 1.00" in finding.message


def test_a_diesel_runs_lean_on_purpose():
    assert checks(log_of(SPEED, **lambdas(0.0, 0.02, -0.01, mean=1.3))) == []


def test_the_hottest_cylinder_is_named():
    heat = {f"exhaust_temperature_{n}": np.linspace(700.0, 850.0, 251) for n in (1, 2, 3)}
    heat["exhaust_temperature_3"] = heat["exhaust_temperature_3"] + 80.0
    (finding,) = judge(log_of(SPEED, **heat))
    assert (finding.check, finding.severity) == ("hot_cylinder", "note")
    assert "cylinder 3 reaches 930 degC at 6500 rpm" in finding.message


def test_spread_over_speed_is_measured():
    curve = pl.DataFrame(
        {
            "rpm": [2000.0, 2050.0, 2100.0],
            "lambda_1": [0.88, 0.88, 0.88],
            "lambda_2": [0.90, 0.91, 0.86],
            "lambda_4": [0.86, 0.85, None],
        }
    )
    found = measure_cylinders(Channels.of(curve), "lambda")
    assert found.rpm.tolist() == [2000.0, 2050.0, 2100.0]
    assert found.spread == pytest.approx([0.04, 0.06, 0.02])
    assert found.highest - found.mean == pytest.approx([0.02, 0.03, 0.01])
    assert found.cylinder.tolist() == [2, 2, 1]


def test_one_measured_cylinder_has_no_spread():
    curve = pl.DataFrame({"rpm": [2000.0, 2050.0], "lambda_1": [0.88, 0.89]})
    assert measure_cylinders(Channels.of(curve), "lambda") is None
