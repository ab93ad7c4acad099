from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dynostats.simulate.cell import Cell, open_session, quiet_session
from dynostats.simulate.faults import Fault
from dynostats.simulate.full_load import run_engine
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise
from dynostats.simulate.pull import plan_sweep, simulate_pull
from dynostats.simulate.scenario import BRAKE, BREATHING_FOUR, DIESEL_FOUR, TURBO_FIVE
from dynostats.simulate.setup import Setup

STOCK = Setup(name="stock")
NOTHING = CurveNoise(pull_sd_pct=0.0, session_sd_pct=0.0, drift_pct_per_pull=0.0)
SILENT = Cell(
    name="silent",
    noise=NOTHING,
    boost_pull_sd_pct=0.0,
    mixture_pull_sd_pct=0.0,
    sample_noise={},
    lag_s={},
    soak_c=0.0,
)
# The channels and units of the contract, stated here so that a change is noticed.
CHANNELS = {
    *("time", "engine_speed", "torque", "power", "manifold_pressure", "compressor_out_pressure"),
    *("compressor_out_temperature", "charge_temperature", "cooler_medium_temperature", "lambda"),
    *("fuel_flow", "fuel_pressure", "air_flow", "oil_pressure", "oil_temperature"),
    *("coolant_temperature", "throttle", "ignition_advance"),
    *(f"lambda_{n}" for n in range(1, 17)),
    *(f"exhaust_temperature_{n}" for n in range(1, 17)),
}


def pull(engine=TURBO_FIVE, setup=STOCK, cell=SILENT, *, order=1, seed=1, faults=()):
    session = quiet_session(cell, engine, Ambient())
    rng = np.random.default_rng(seed)
    return simulate_pull(engine, setup, session, order=order, rng=rng, faults=faults)


def full_load(samples):
    return samples.filter(samples["throttle"] > 99.0)


@pytest.mark.parametrize("engine", [TURBO_FIVE, BREATHING_FOUR, DIESEL_FOUR], ids=lambda e: e.name)
def test_channels_are_those_of_the_contract(engine):
    assert set(pull(engine).columns) <= CHANNELS


def test_an_engine_logs_only_what_it_has():
    aspirated, diesel = pull(BREATHING_FOUR).columns, pull(DIESEL_FOUR).columns
    assert "compressor_out_pressure" not in aspirated
    assert "cooler_medium_temperature" not in aspirated
    assert "ignition_advance" in aspirated
    assert "ignition_advance" not in diesel
    assert [c for c in aspirated if c.startswith("exhaust")] == [
        f"exhaust_temperature_{n}" for n in (1, 2, 3, 4)
    ]


def test_without_noise_the_log_is_the_engine():
    samples = full_load(pull(BREATHING_FOUR))
    speed = samples["engine_speed"].to_numpy()
    state = run_engine(BREATHING_FOUR, speed, Ambient())
    np.testing.assert_allclose(samples["torque"], state.torque_nm, rtol=1e-12)
    np.testing.assert_allclose(samples["manifold_pressure"], state.charge.manifold_kpa, rtol=1e-12)
    np.testing.assert_allclose(samples["fuel_flow"], 3600.0 * state.fuel_flow_kg_s, rtol=1e-12)


def test_power_is_torque_times_speed_in_every_row():
    samples = pull(cell=BRAKE)
    reckoned = samples["torque"] * samples["engine_speed"] * np.pi / 30_000.0
    np.testing.assert_allclose(samples["power"], reckoned, rtol=1e-12)


def test_the_sweep_rises_at_its_rate_and_then_shuts():
    sweep = plan_sweep(TURBO_FIVE, SILENT)
    rising = sweep.acceleration_rpm_s > 0.0
    middle = rising & (sweep.rpm > 2300.0) & (sweep.rpm < 6700.0)
    slope = np.diff(sweep.rpm[middle]) / np.diff(sweep.time_s[middle])
    np.testing.assert_allclose(slope, SILENT.sweep_rate_rpm_s)
    assert sweep.rpm.max() == TURBO_FIVE.rpm_high
    assert sweep.rpm[-1] < TURBO_FIVE.rpm_high
    assert sweep.load[-1] == 0.0


def test_the_coolers_medium_warms_and_its_heat_is_accounted_for():
    cell = replace(SILENT, lead_s=0.0, tail_s=0.0)
    sealed = replace(TURBO_FIVE, cooler=replace(TURBO_FIVE.cooler, shed_w_k=0.0))
    samples = pull(sealed, cell=cell)
    medium = samples["cooler_medium_temperature"].to_numpy()
    flow = samples["air_flow"].to_numpy() / 3600.0
    drop = (samples["compressor_out_temperature"] - samples["charge_temperature"]).to_numpy()
    heat_j = np.sum((flow * 1005.0 * drop)[:-1]) / cell.sample_rate_hz
    # Nothing is shed: the heat the charge gave stands in the medium, C dT.
    assert sealed.cooler.heat_capacity_j_k * (medium[-1] - medium[0]) == pytest.approx(
        heat_j, rel=1e-3
    )
    assert np.all(np.diff(medium) > 0.0)


def test_later_pulls_start_warmer_and_make_less():
    cell = replace(SILENT, soak_c=4.0)
    first, fifth = full_load(pull(cell=cell)), full_load(pull(cell=cell, order=5))
    assert fifth["charge_temperature"].mean() > first["charge_temperature"].mean()
    assert np.all(fifth["torque"].to_numpy() < first["torque"].to_numpy())


def test_drift_is_the_cells():
    air = Ambient()
    drifting = replace(SILENT, noise=replace(NOTHING, drift_pct_per_pull=-0.1))
    session = open_session(drifting, BREATHING_FOUR, air, np.random.default_rng(0))
    first, third = (
        full_load(
            simulate_pull(BREATHING_FOUR, STOCK, session, order=order, rng=np.random.default_rng(0))
        )
        for order in (1, 3)
    )
    np.testing.assert_allclose(
        100.0 * np.log(third["torque"].to_numpy() / first["torque"].to_numpy()), -0.2, atol=1e-9
    )


def test_a_cell_without_compensation_lacks_the_torque_of_acceleration():
    # J = 0.25 kg m2 at 400 rpm/s: 0.25 x 400 x pi / 30 = 10.472 N.m.
    heavy = replace(SILENT, inertia_kg_m2=0.25)
    with_inertia, without = full_load(pull(cell=heavy)), full_load(pull())
    missing = (without["torque"] - with_inertia["torque"]).to_numpy()
    assert np.median(missing) == pytest.approx(10.472, abs=1e-3)


def test_a_lagging_sensor_trails_by_its_lag():
    # A first-order lag follows a steady rise late by its time constant.
    slow = replace(SILENT, lag_s={"engine_speed": 0.5})
    trailing, prompt = pull(cell=slow), pull()
    row = len(prompt) - 20
    late_rpm = prompt["engine_speed"][row] - trailing["engine_speed"][row]
    assert late_rpm == pytest.approx(0.5 * SILENT.sweep_rate_rpm_s, rel=0.06)


def test_a_hot_start_shows_and_costs_torque():
    hot = full_load(pull(faults=[Fault(kind="hot_start", severity=20.0)]))
    usual = full_load(pull())
    assert hot["oil_temperature"][0] - usual["oil_temperature"][0] == pytest.approx(20.0)
    assert np.all(hot["torque"].to_numpy() < usual["torque"].to_numpy())


def test_the_lean_cylinder_is_the_one_the_engine_has():
    samples = full_load(pull())
    means = [samples[f"lambda_{n}"].mean() for n in range(1, 6)]
    assert int(np.argmax(means)) == int(np.argmax(TURBO_FIVE.cylinder_spread_pct))


def test_seed_and_pull_noise():
    one, same, other = pull(cell=BRAKE, seed=3), pull(cell=BRAKE, seed=3), pull(cell=BRAKE, seed=4)
    assert one.equals(same)
    assert not one["torque"].equals(other["torque"])
