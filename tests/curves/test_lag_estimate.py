"""How late a lambda sensor reads, estimated from air flow over fuel flow."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

import dynostats as ds
from dynostats.curves import Sweep, align_channels
from dynostats.curves.lag_estimate import estimate_lag

LASTS_S = 10.0


def log_of(rng, *, lag=0.4, bend=0.04, rate=20.0, drift=0.03, noise=1.0, slope=-0.006):
    """Return a sweep whose mixture bends three times, and whose meters err smoothly and noisily."""
    clock = np.arange(0.0, LASTS_S, 1.0 / rate)
    fine = np.arange(-3.0, LASTS_S, 0.005)
    mixture = 0.90 + slope * fine
    for middle, width in ((3.1, 0.2), (5.2, 0.25), (7.7, 0.2)):
        mixture += bend * rng.choice([-0.5, 0.5]) * np.tanh((fine - middle) / width)
    now, late = (np.interp(clock - by, fine, mixture) for by in (0.0, lag))
    meters = 1.0 + drift * np.sin(0.4 * clock + rng.uniform(0.0, 6.0))
    air = 400.0 * (1.0 + 0.005 * noise * rng.standard_normal(len(clock)))
    fuel = 400.0 / 14.7 / now * meters * (1.0 + 0.005 * noise * rng.standard_normal(len(clock)))
    return pl.DataFrame(
        {
            "time": clock,
            "engine_speed": 2000.0 + 400.0 * clock,
            "torque": np.full(len(clock), 300.0),
            "lambda": late + 0.003 * noise * rng.standard_normal(len(clock)),
            "air_flow": air,
            "fuel_flow": fuel,
        }
    )


def whole(log):
    return (Sweep(first_row=0, last_row=log.height - 1),)


def estimates(count=100, **options):
    logs = (log_of(np.random.default_rng([7, seed]), **options) for seed in range(count))
    return [estimate_lag(log, whole(log), "lambda") for log in logs]


@pytest.mark.parametrize("lag", [0.25, 0.4, 0.8])
def test_a_delay_is_found_with_an_interval_that_holds_it(lag):
    found = estimates(lag=lag)
    told = [one for one in found if one.seconds is not None]
    assert len(told) > 80
    errors = np.array([one.seconds - lag for one in told])
    assert abs(errors.mean()) < 0.02
    assert np.abs(errors).max() < 0.2
    # Nine in ten; of 100 simulated sweeps at least 82 by chance 1 in 100 (binomial).
    assert np.mean([one.low <= lag <= one.high for one in told]) >= 0.82


def test_without_noise_it_is_exact():
    for found in estimates(5, noise=1e-3, drift=0.0):
        assert found.seconds == pytest.approx(0.4, abs=0.01)


def test_a_straight_course_hides_its_delay_and_nothing_is_told():
    for found in estimates(bend=0.0, slope=-0.02):
        assert found.seconds is None
        assert "no bend" in found.why_not


def test_a_sensor_that_is_not_late_is_left_alone():
    assert sum(found.seconds is not None for found in estimates(lag=0.0)) <= 2


def test_several_pulls_of_a_file_tell_more_than_one():
    logs = [log_of(np.random.default_rng(seed)) for seed in (1, 2)]
    both = pl.concat([logs[0], logs[1].with_columns(pl.col("time") + 20.0)])
    pulls = (Sweep(first_row=0, last_row=199), Sweep(first_row=200, last_row=399))
    widths = [
        found.high - found.low
        for found in (
            estimate_lag(both, pulls, "lambda"),
            estimate_lag(both, pulls[:1], "lambda"),
            estimate_lag(both, pulls[1:], "lambda"),
        )
    ]
    assert widths[0] < min(widths[1:])


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda log: log.drop("air_flow"), "there is no air_flow"),
        (lambda log: log.drop("air_flow", "time"), "there is no air_flow and no time"),
        (lambda log: log.with_columns(fuel_flow=pl.lit(0.0)), "too few samples"),
        (lambda log: log.gather_every(8), "too few samples"),
        (lambda log: log.with_columns(time=10.0 * pl.col("time")), "too far apart"),
    ],
)
def test_what_is_needed_and_missing_is_named(spoil, words):
    log = spoil(log_of(np.random.default_rng(1)))
    found = estimate_lag(log, whole(log), "lambda")
    assert found.seconds is None
    assert words in found.why_not


def test_speed_held_in_steps_is_no_sweep():
    log = log_of(np.random.default_rng(1))
    steps = (Sweep(first_row=0, last_row=199, steps=True),)
    assert "step by step" in estimate_lag(log, steps, "lambda").why_not


def test_a_channel_is_moved_by_what_was_estimated_and_it_is_said():
    log = log_of(np.random.default_rng(1))
    found = estimate_lag(log, whole(log), "lambda")
    asked = align_channels(log, {"lambda": None}, whole(log))
    stated = align_channels(log, {"lambda": found.seconds})
    assert asked.samples["lambda"].equals(stated.samples["lambda"], null_equal=True)
    assert f"lambda reads {found.seconds:.2f} s late ({found.low:.2f} to" in asked.findings[0]


def test_a_channel_that_tells_nothing_stays_as_it_was_logged():
    log = log_of(np.random.default_rng(1)).drop("air_flow")
    asked = align_channels(log, {"lambda": None}, whole(log))
    assert asked.samples.equals(log)
    assert asked.findings[0].startswith("How late lambda reads cannot be estimated: there is no")
    assert "as logged" in asked.findings[0]


def test_from_the_channel_file_to_check_and_compare(tmp_path):
    units = {"time": "s", "engine_speed": "rpm", "torque": "N.m", "lambda": "1"}
    units |= {"air_flow": "kg/h", "fuel_flow": "kg/h"}
    titles = {name: f"{name} [{unit}]" for name, unit in units.items()}
    logs = tmp_path / "pulls"
    logs.mkdir()
    lines = ["file,engine,dyno,session,setup,order"]
    for order, setup in enumerate("ABBA", start=1):
        log = log_of(np.random.default_rng(order))
        torque = 300.0 * (1.0 + 0.002 * np.random.default_rng(order).standard_normal(200))
        log.with_columns(torque=pl.Series(torque)).rename(titles).write_csv(logs / f"{order}.csv")
        lines.append(f"{order}.csv,mill,cell,monday,{setup},{order}")
    (logs / "sheet.csv").write_text("\n".join(lines))
    channels = tmp_path / "channels.toml"
    channels.write_text('[lambda]\nlag = "estimate"\n')
    warehouse = ds.open_warehouse(tmp_path / "shop.duckdb")
    warehouse.ingest(logs, channels=channels)
    told = [one for one in warehouse.check().findings if one.check == "lag"]
    assert len(told) == 4
    assert all(one.severity == "note" and "estimated from how" in one.message for one in told)
    said = warehouse.compare(baseline="A", candidate="B").method["sensor_lag"]
    assert len(said) == 4
    assert said[0] == f"P1: {told[0].message}"
    warehouse.reingest()  # without the channel file: as logged, and nothing is said of it
    again = warehouse.compare(baseline="A", candidate="B")
    assert "sensor_lag" not in again.method
