"""An engine at full load: flow, pressures, temperatures, fuel and torque at each speed.

Textbook equation and figure numbers in this package are quoted from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats
from dynostats.errors import AnalysisError
from dynostats.simulate import airpath, cylinder
from dynostats.simulate.engine import Cooler, EngineSpec
from dynostats.simulate.gas import KELVIN, Ambient, density_kg_m3
from dynostats.units import power_kw

_MOST_STEPS = 40
_FLOW_TOLERANCE = 1e-11


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charge:
    """The state of the air before the cylinders, each an array over engine speed.

    Args:
        manifold_kpa: Absolute pressure in the intake manifold.
        temperature_c: Charge temperature.
        lam: Mixture.
        compressor_work_j_kg: Work put into each kilogram by the compressor, 0 without one.
        compressor_out_kpa: Absolute pressure behind the compressor (ambient without one).
        compressor_out_c: Temperature behind the compressor (ambient without one).
        cooler_heat_w: Heat given to the cooler's medium.
    """

    manifold_kpa: Floats
    temperature_c: Floats
    lam: Floats
    compressor_work_j_kg: Floats
    compressor_out_kpa: Floats
    compressor_out_c: Floats
    cooler_heat_w: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EngineState:
    """What holds at full load, each an array over engine speed.

    Args:
        rpm: Engine speed.
        charge: State of the air before the cylinders.
        air_flow_kg_s: Dry air.
        fuel_flow_kg_s: Fuel.
        exhaust_kpa: Absolute pressure at the exhaust ports.
        exhaust_c: Exhaust temperature.
        torque_nm: Brake torque.
    """

    rpm: Floats
    charge: Charge
    air_flow_kg_s: Floats
    fuel_flow_kg_s: Floats
    exhaust_kpa: Floats
    exhaust_c: Floats
    torque_nm: Floats

    def power_kw(self) -> Floats:
        """Return brake power, kW."""
        return power_kw(self.torque_nm, self.rpm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disturbance:
    """How one pull departs from the engine's own curves, as factors over speed.

    Args:
        boost: On the absolute pressure behind the compressor.
        mixture: On lambda.
    """

    boost: Floats | float = 1.0
    mixture: Floats | float = 1.0


UNDISTURBED = Disturbance()


def run_engine(
    engine: EngineSpec,
    rpm: Floats,
    air: Ambient,
    *,
    medium_c: Floats | float | None = None,
    disturbance: Disturbance = UNDISTURBED,
    near: EngineState | None = None,
) -> EngineState:
    """Solve the engine at full load at each speed.

    Args:
        engine: The engine, with its change fitted.
        rpm: Engine speeds, shape (n,).
        air: The air it breathes.
        medium_c: Temperature of the cooler's medium, or of the intake of an engine without cooler,
            at each speed; the ambient's if None.
        disturbance: Departures of this pull.
        near: A state of the same speeds to start from; only the time taken depends on it.

    Returns:
        The state, arrays of shape (n,). Flow and pressures are consistent to 1e-10.
    """
    medium = np.broadcast_to(air.temperature_c if medium_c is None else medium_c, rpm.shape)

    def breathe(flow: Floats) -> Charge:
        return _charge(engine, rpm, air, flow, medium, disturbance=disturbance)

    start = _first_guess(engine, rpm, air) if near is None else near.air_flow_kg_s
    return _solve(engine, rpm, air, breathe, start)


def run_with_charge(engine: EngineSpec, rpm: Floats, air: Ambient, charge: Charge) -> EngineState:
    """Solve the engine with a given state of the air before its cylinders.

    This is how an effect is split by cause: pressure, temperature and mixture are taken from one
    setup or the other, the rest of the engine likewise.
    """
    return _solve(engine, rpm, air, lambda _: charge, _first_guess(engine, rpm, air))


def _solve(
    engine: EngineSpec,
    rpm: Floats,
    air: Ambient,
    breathe: Callable[[Floats], Charge],
    flow: Floats,
) -> EngineState:
    """Find the flow that its own pressures allow: a contraction, repeated until it stands."""
    charge = breathe(flow)
    for _ in range(_MOST_STEPS):
        before, flow = flow, _flow_step(engine, rpm, air, charge, flow)
        charge = breathe(flow)
        if np.max(np.abs(flow - before)) < _FLOW_TOLERANCE * np.max(flow):
            return _state(engine, rpm, air, charge, flow)
    raise _choked(engine)


def _choked(engine: EngineSpec) -> AnalysisError:
    return AnalysisError(
        f"the model of engine {engine.name!r} finds no steady air flow",
        mend="check its resistances, boost and turbine: a part chokes the engine",
    )


def _first_guess(engine: EngineSpec, rpm: Floats, air: Ambient) -> Floats:
    rho = density_kg_m3(air.pressure_kpa, air.temperature_c)
    return rho * engine.displacement_m3() * rpm / 120.0


def _charge(
    engine: EngineSpec,
    rpm: Floats,
    air: Ambient,
    flow: Floats,
    medium_c: Floats,
    *,
    disturbance: Disturbance,
) -> Charge:
    inlet_kpa = air.pressure_kpa - airpath.pressure_loss_kpa(
        engine.intake_resistance_per_m4, flow, density_kg_m3(air.pressure_kpa, air.temperature_c)
    )
    if np.any(inlet_kpa <= 0.0):
        raise _choked(engine)
    lam = _mixture(engine, rpm, flow) * disturbance.mixture
    if engine.turbo is None:
        return _breathed_charge(engine, air, inlet_kpa, medium_c, lam)
    mid = (engine.rpm_low + engine.rpm_high) / 2.0
    out_kpa = engine.turbo.out_pressure_kpa(rpm, air.pressure_kpa, mid, engine.rpm_high)
    out_kpa = np.maximum(out_kpa * disturbance.boost, inlet_kpa)
    out_c = airpath.compressor_out_temperature_c(
        air.temperature_c, out_kpa / inlet_kpa, engine.turbo.efficiency(flow)
    )
    manifold_kpa, charge_c, heat_w = _cool(engine.cooler, flow, out_kpa, out_c, medium_c)
    if np.any(manifold_kpa <= 0.0):
        raise _choked(engine)
    return Charge(
        manifold_kpa=manifold_kpa,
        temperature_c=charge_c,
        lam=lam,
        compressor_work_j_kg=airpath.compressor_work_j_kg(air.temperature_c, out_c),
        compressor_out_kpa=out_kpa,
        compressor_out_c=out_c,
        cooler_heat_w=heat_w,
    )


def _breathed_charge(
    engine: EngineSpec, air: Ambient, inlet_kpa: Floats, medium_c: Floats, lam: Floats
) -> Charge:
    nothing = np.zeros_like(inlet_kpa)
    return Charge(
        manifold_kpa=inlet_kpa,
        temperature_c=medium_c + engine.intake_heating_c,
        lam=lam,
        compressor_work_j_kg=nothing,
        compressor_out_kpa=nothing + air.pressure_kpa,
        compressor_out_c=nothing + air.temperature_c,
        cooler_heat_w=nothing,
    )


def _cool(
    cooler: Cooler | None, flow: Floats, in_kpa: Floats, in_c: Floats, medium_c: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return pressure and temperature behind the cooler, and the heat it took, W."""
    if cooler is None:
        return in_kpa, in_c, np.zeros_like(in_c)
    effectiveness = airpath.cooler_effectiveness(
        cooler.transfer_units, flow, cooler.rated_flow_kg_s
    )
    drop_c = effectiveness * (in_c - medium_c)
    out_c = in_c - drop_c
    density = density_kg_m3(in_kpa, (in_c + out_c) / 2.0)
    loss = airpath.pressure_loss_kpa(cooler.resistance_per_m4, flow, density)
    return in_kpa - loss, out_c, flow * airpath.HEAT_CAPACITY_AIR * drop_c


def _mixture(engine: EngineSpec, rpm: Floats, flow: Floats) -> Floats:
    limit = engine.over_speed(rpm, engine.lambda_low, engine.lambda_high)
    if engine.ignition == "spark":
        return limit
    injected = engine.injection_mg * 1e-6 * engine.cylinders * rpm / 120.0
    return np.maximum(limit, flow / (engine.fuel.stoichiometric_ratio * injected))


def _flow_step(
    engine: EngineSpec, rpm: Floats, air: Ambient, charge: Charge, flow: Floats
) -> Floats:
    """One step of the fixed point: the back pressure of this flow sets the next flow."""
    exhaust_kpa = _exhaust_pressure(engine, rpm, air, charge, flow)
    filling = cylinder.ideal_filling(engine.compression_ratio, exhaust_kpa / charge.manifold_kpa)
    filling = filling * cylinder.wall_heating_factor(charge.temperature_c)
    rho = density_kg_m3(charge.manifold_kpa * air.dry_fraction(), charge.temperature_c)
    return filling * _gas_dynamics(engine, rpm) * rho * engine.displacement_m3() * rpm / 120.0


def _gas_dynamics(engine: EngineSpec, rpm: Floats) -> Floats:
    away = (rpm - engine.filling_peak_rpm) / engine.filling_peak_rpm
    top = engine.over_speed(rpm, 1.0, engine.filling_top)
    return engine.filling_peak * (1.0 - engine.filling_fall * away**2) * top


def _fuel_flow(engine: EngineSpec, charge: Charge, flow: Floats) -> Floats:
    return flow / (engine.fuel.stoichiometric_ratio * charge.lam)


def _exhaust_temperature(engine: EngineSpec, rpm: Floats, charge: Charge, flow: Floats) -> Floats:
    fuel = _fuel_flow(engine, charge, flow)
    share = engine.over_speed(rpm, engine.exhaust_heat_low, engine.exhaust_heat_high)
    return cylinder.exhaust_temperature_c(
        charge.temperature_c, share, fuel / (flow + fuel), charge.lam, engine.fuel
    )


def _exhaust_pressure(
    engine: EngineSpec, rpm: Floats, air: Ambient, charge: Charge, flow: Floats
) -> Floats:
    port_c = _exhaust_temperature(engine, rpm, charge, flow)
    gas = flow + _fuel_flow(engine, charge, flow)
    power_w = flow * charge.compressor_work_j_kg / airpath.SHAFT_EFFICIENCY
    pipe_c = port_c - power_w / (gas * airpath.HEAT_CAPACITY_EXHAUST)
    density = air.pressure_kpa * 1000.0 / (airpath.GAS_CONSTANT_EXHAUST * (pipe_c + KELVIN))
    behind_kpa = air.pressure_kpa + airpath.pressure_loss_kpa(
        engine.exhaust_resistance_per_m4, gas, density
    )
    if engine.turbo is None:
        return behind_kpa
    return behind_kpa * airpath.turbine_expansion_ratio(
        power_w,
        behind_kpa,
        port_c,
        flow_coefficient=engine.turbo.turbine_flow,
        efficiency=engine.turbo.turbine_efficiency,
    )


def _state(
    engine: EngineSpec, rpm: Floats, air: Ambient, charge: Charge, flow: Floats
) -> EngineState:
    exhaust_kpa = _exhaust_pressure(engine, rpm, air, charge, flow)
    fuel = _fuel_flow(engine, charge, flow)
    return EngineState(
        rpm=rpm,
        charge=charge,
        air_flow_kg_s=flow,
        fuel_flow_kg_s=fuel,
        exhaust_kpa=exhaust_kpa,
        exhaust_c=_exhaust_temperature(engine, rpm, charge, flow),
        torque_nm=_brake_torque(engine, rpm, charge, fuel, exhaust_kpa),
    )


def _brake_torque(
    engine: EngineSpec, rpm: Floats, charge: Charge, fuel_kg_s: Floats, exhaust_kpa: Floats
) -> Floats:
    """Brake torque, N m: indicated less pumping less friction mean effective pressure.

    Source:
        Heywood 1988, eq. (2.19b) for torque = bmep Vd / (4 pi), four-stroke.
    """
    volume = engine.displacement_m3()
    timing = engine.over_speed(rpm, engine.timing_low_deg, engine.timing_high_deg)
    efficiency = (
        cylinder.indicated_efficiency(engine.compression_ratio, engine.efficiency_share)
        * cylinder.fuel_use_factor(charge.lam, engine.ignition)
        * cylinder.timing_factor(timing)
    )
    heat_w = fuel_kg_s * engine.fuel.heating_value_mj_kg * 1e6
    indicated_kpa = heat_w * efficiency / (volume * rpm / 120.0) / 1000.0
    peak_kpa = (
        engine.peak_pressure_factor
        * charge.manifold_kpa
        * engine.compression_ratio**cylinder.GAMMA_BURNED
    )
    friction_kpa = engine.friction.mean_effective_pressure_kpa(
        peak_kpa, cylinder.piston_speed_m_s(engine.stroke_mm, rpm)
    )
    brake_kpa = indicated_kpa - (exhaust_kpa - charge.manifold_kpa) - friction_kpa
    return brake_kpa * 1000.0 * volume / (4.0 * np.pi)
