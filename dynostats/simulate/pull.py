"""One pull: the sweep, the engine along it, what the sensors make of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.simulate.cell import Cell, Session
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.faults import Fault, apply_fault, is_thermal
from dynostats.simulate.full_load import UNDISTURBED, Disturbance, EngineState, run_engine
from dynostats.simulate.noise import CurveNoise, draw_pull_curves
from dynostats.simulate.setup import Setup
from dynostats.units import power_kw

_SOAK_PASSES = 3
_HOT_OIL_TORQUE_PER_K = -0.0004
_IDLE_MANIFOLD_KPA = 55.0
_DRAG_SHARE = 0.15
_FULL_LOAD_THROTTLE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """The course of a pull before any sensor sees it, arrays over time.

    Args:
        time_s: Time from the start of the log.
        rpm: Engine speed.
        throttle: Share of the throttle's travel, 0 to 1.
        load: Share of full load, 0 to 1.
        acceleration_rpm_s: Rise of engine speed.
    """

    time_s: Floats
    rpm: Floats
    throttle: Floats
    load: Floats
    acceleration_rpm_s: Floats


def simulate_pull(
    engine: EngineSpec,
    setup: Setup,
    session: Session,
    *,
    order: int,
    rng: np.random.Generator,
    faults: Sequence[Fault] = (),
) -> pl.DataFrame:
    """Simulate the log of one pull.

    Args:
        engine: The engine as it left the shop.
        setup: The change that is truly fitted, whatever the sheet will say.
        session: The day and the cell.
        order: Run order within the session, from 1.
        rng: Source of randomness.
        faults: What goes wrong.

    Returns:
        One row a sample, columns under the project's channel names and in its units (torque N.m,
        pressures kPa absolute, temperatures degC, flows kg/h). Channels the engine lacks are
        absent.
    """
    fitted, cell = setup.fit(engine), session.cell
    sweep = plan_sweep(engine, cell)
    warmth = sum(fault.severity for fault in faults if is_thermal(fault))
    disturbance = _draw_disturbance(session, sweep.rpm, rng)
    medium = session.medium_start_c(order) + warmth
    state, medium_c = run_sweep(fitted, session, sweep, medium, disturbance=disturbance)
    torque = state.torque_nm * np.exp(_log_torque_error(session, sweep.rpm, order, rng))
    torque = torque * (1.0 + _HOT_OIL_TORQUE_PER_K * warmth)
    channels = _channels(fitted, session, sweep, state, torque)
    if engine.cooler is not None:
        channels["cooler_medium_temperature"] = medium_c
    channels["oil_temperature"] = 92.0 + warmth + 0.25 * sweep.time_s + 0.6 * order
    channels["coolant_temperature"] = 84.0 + 0.6 * warmth + 0.12 * sweep.time_s + 0.2 * order
    samples = _sense(channels, sweep.time_s, cell, rng)
    for fault in faults:
        samples = apply_fault(samples, fault, rng)
    return samples


def plan_sweep(engine: EngineSpec, cell: Cell) -> Sweep:
    """Plan the course of a pull: throttle opens at low speed, a steady rise, throttle shuts.

    The throttle is open after half the lead; the engine settles in the other half. Beyond 80% of
    its travel a throttle hardly throttles: load is full from there.
    """
    rise_s = (engine.rpm_high - engine.rpm_low) / cell.sweep_rate_rpm_s
    total_s = cell.lead_s + rise_s + cell.tail_s
    time = np.arange(0.0, total_s + 1e-9, 1.0 / cell.sample_rate_hz)
    since_rise = np.clip(time - cell.lead_s, 0.0, rise_s)
    since_shut = np.clip(time - cell.lead_s - rise_s, 0.0, None)
    fall_rpm_s = 1.5 * cell.sweep_rate_rpm_s
    rising = (time >= cell.lead_s) & (since_shut == 0.0)
    throttle = np.where(since_shut > 0.0, 0.0, _opening(time, cell.lead_s / 2.0))
    return Sweep(
        time_s=time,
        rpm=engine.rpm_low + cell.sweep_rate_rpm_s * since_rise - fall_rpm_s * since_shut,
        throttle=throttle,
        load=np.minimum(throttle / _FULL_LOAD_THROTTLE, 1.0),
        acceleration_rpm_s=np.where(rising, cell.sweep_rate_rpm_s, 0.0),
    )


def _opening(time: Floats, opening_s: float) -> Floats:
    if opening_s <= 0.0:
        return np.ones_like(time)
    return 0.2 + 0.8 * np.clip(time / opening_s, 0.0, 1.0)


def run_sweep(
    fitted: EngineSpec,
    session: Session,
    sweep: Sweep,
    medium_start_c: float,
    *,
    disturbance: Disturbance = UNDISTURBED,
) -> tuple[EngineState, Floats]:
    """Run the engine along a sweep while its cooler's medium warms.

    The medium's heat balance C dT/dt = Q - h (T - T_ambient) is integrated with the heat of the
    pass before, repeated until it holds.

    Returns:
        The state at each sample, and the medium's temperature at each sample, degC.
    """
    medium = np.full_like(sweep.rpm, medium_start_c)
    speed = np.clip(sweep.rpm, fitted.rpm_low, fitted.rpm_high)
    state = run_engine(fitted, speed, session.air, medium_c=medium, disturbance=disturbance)
    if fitted.cooler is None:
        return state, medium
    for _ in range(_SOAK_PASSES):
        heat = state.charge.cooler_heat_w * sweep.load
        medium = _warm(fitted, session, sweep, heat, medium_start_c)
        state = run_engine(
            fitted, speed, session.air, medium_c=medium, disturbance=disturbance, near=state
        )
    return state, medium


def _warm(
    fitted: EngineSpec, session: Session, sweep: Sweep, heat_w: Floats, start_c: float
) -> Floats:
    assert fitted.cooler is not None  # noqa: S101 - the caller has seen it
    capacity, shed = fitted.cooler.heat_capacity_j_k, fitted.cooler.shed_w_k
    steps = np.diff(sweep.time_s).tolist()
    medium = [start_c]
    for step_s, heat in zip(steps, heat_w.tolist(), strict=False):
        above = medium[-1] - session.air.temperature_c
        medium.append(medium[-1] + step_s * (heat - shed * above) / capacity)
    return np.array(medium)


def _draw_disturbance(session: Session, rpm: Floats, rng: np.random.Generator) -> Disturbance:
    cell = session.cell
    boost = _draw_smooth(session, rpm, cell.boost_pull_sd_pct, rng)
    mixture = _draw_smooth(session, rpm, cell.mixture_pull_sd_pct, rng)
    return Disturbance(boost=np.exp(boost), mixture=np.exp(mixture))


def _draw_smooth(session: Session, rpm: Floats, sd_pct: float, rng: np.random.Generator) -> Floats:
    curve = draw_pull_curves(CurveNoise(pull_sd_pct=sd_pct), session.rpm, (), rng)
    return np.interp(rpm, session.rpm, curve)


def _log_torque_error(
    session: Session, rpm: Floats, order: int, rng: np.random.Generator
) -> Floats:
    curve = session.log_error + draw_pull_curves(session.cell.noise, session.rpm, (), rng)
    return np.interp(rpm, session.rpm, curve) + session.log_drift * (order - 1)


def _channels(
    fitted: EngineSpec, session: Session, sweep: Sweep, state: EngineState, torque: Floats
) -> dict[str, Floats]:
    air, load = session.air, sweep.load
    inertia_nm = session.cell.inertia_kg_m2 * sweep.acceleration_rpm_s * np.pi / 30.0
    manifold = _IDLE_MANIFOLD_KPA + (state.charge.manifold_kpa - _IDLE_MANIFOLD_KPA) * load
    fuel, flow = state.fuel_flow_kg_s * 3600.0 * load, state.air_flow_kg_s * 3600.0 * load
    channels = {
        "engine_speed": sweep.rpm,
        "torque": torque * (load - _DRAG_SHARE * (1.0 - load)) - inertia_nm,
        "manifold_pressure": manifold,
    }
    if fitted.turbo is not None:
        out_kpa = state.charge.compressor_out_kpa
        out_c = state.charge.compressor_out_c
        channels["compressor_out_pressure"] = air.pressure_kpa + (out_kpa - air.pressure_kpa) * load
        channels["compressor_out_temperature"] = (
            air.temperature_c + (out_c - air.temperature_c) * load
        )
    channels["charge_temperature"] = state.charge.temperature_c
    channels |= _cylinder_channels(fitted, state)
    channels |= {
        "fuel_flow": fuel,
        "fuel_pressure": 300.0 + manifold - air.pressure_kpa,
        "air_flow": flow,
        "oil_pressure": np.minimum(120.0 + 0.075 * sweep.rpm, 430.0),
        "throttle": 100.0 * sweep.throttle,
    }
    if fitted.ignition == "spark":
        late = fitted.over_speed(sweep.rpm, fitted.timing_low_deg, fitted.timing_high_deg)
        channels["ignition_advance"] = 22.0 + 0.0015 * sweep.rpm + late
    return channels


def _cylinder_channels(fitted: EngineSpec, state: EngineState) -> dict[str, Floats]:
    """Mixture and exhaust temperature, the latter a cylinder; a lean cylinder runs hotter."""
    channels = {"lambda": state.charge.lam}
    hotter_when_lean = 9.0 if fitted.ignition == "spark" else -9.0
    spread = fitted.cylinder_spread_pct or (0.0,) * fitted.cylinders
    for number, leaner_pct in enumerate(spread, start=1):
        channels[f"lambda_{number}"] = state.charge.lam * (1.0 + leaner_pct / 100.0)
    for number, leaner_pct in enumerate(spread, start=1):
        channels[f"exhaust_temperature_{number}"] = state.exhaust_c + hotter_when_lean * leaner_pct
    return channels


def _sense(
    channels: dict[str, Floats], time_s: Floats, cell: Cell, rng: np.random.Generator
) -> pl.DataFrame:
    """Pass the channels through lag and sample noise; power is reckoned as a cell does it."""
    sensed: dict[str, Floats] = {"time": time_s}
    for name, values in channels.items():
        family = name.rstrip("0123456789").rstrip("_")
        lagged = _lag(values, time_s, cell.lag_s.get(family, 0.0))
        sd = cell.sample_noise.get(family, 0.0)
        sensed[name] = lagged + sd * rng.standard_normal(len(values))
    power = power_kw(sensed["torque"], sensed["engine_speed"])
    return pl.DataFrame(sensed).insert_column(3, pl.Series("power", power))


def _lag(values: Floats, time_s: Floats, lag_s: float) -> Floats:
    if lag_s <= 0.0:
        return values
    keep = np.exp(-np.diff(time_s) / lag_s).tolist()
    lagged = [float(values[0])]
    for share, value in zip(keep, values[1:].tolist(), strict=True):
        lagged.append(share * lagged[-1] + (1.0 - share) * value)
    return np.array(lagged)
