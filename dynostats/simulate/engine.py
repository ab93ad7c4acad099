"""A full-load engine in mean values: what an engine is, what a change does, what then holds.

Textbook equation and figure numbers in this package are quoted from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate import airpath, cylinder
from dynostats.simulate.cylinder import PETROL, Friction, Fuel, Ignition
from dynostats.simulate.gas import KELVIN, Ambient, density_kg_m3
from dynostats.units import power_kw

_SOLVER_STEPS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Turbo:
    """A turbocharger whose wastegate holds a boost curve at the compressor outlet.

    Args:
        boost_kpa: Gauge boost held once spooled.
        spool_rpm: Engine speed at half boost.
        spool_width_rpm: Width of the logistic rise of boost over speed.
        taper_kpa: Boost given up linearly from half the speed range to its top.
        closed_loop: True holds an absolute pressure whatever the ambient; False a gauge pressure
            (a spring and diaphragm).
        compressor_efficiency: Isentropic efficiency at the best flow.
        best_flow_kg_s: Flow of best compressor efficiency.
        turbine_efficiency: Isentropic efficiency of the turbine.
        turbine_flow: Flow coefficient of the turbine, kg sqrt(K) / (s Pa).
    """

    boost_kpa: float
    spool_rpm: float
    spool_width_rpm: float
    best_flow_kg_s: float
    turbine_flow: float
    taper_kpa: float = 0.0
    closed_loop: bool = False
    compressor_efficiency: float = 0.74
    turbine_efficiency: float = 0.66

    def out_pressure_kpa(
        self, rpm: Floats, ambient_kpa: float, mid_rpm: float, top_rpm: float
    ) -> Floats:
        """Compute the absolute pressure held behind the compressor, kPa."""
        spooled = 1.0 / (1.0 + np.exp(-(rpm - self.spool_rpm) / self.spool_width_rpm))
        taper = self.taper_kpa * np.clip((rpm - mid_rpm) / (top_rpm - mid_rpm), 0.0, None)
        base = 101.325 if self.closed_loop else ambient_kpa
        return base + self.boost_kpa * spooled - taper

    def efficiency(self, flow_kg_s: Floats) -> Floats:
        """Compute the isentropic efficiency: a parabola about the best flow, never under 0.45."""
        away = flow_kg_s / self.best_flow_kg_s - 1.0
        return np.maximum(self.compressor_efficiency - 0.10 * away**2, 0.45)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooler:
    """A charge cooler.

    Args:
        resistance_per_m4: Loss coefficient over squared area.
        transfer_units: NTU at the rated flow.
        rated_flow_kg_s: Charge flow at which `transfer_units` holds.
        heat_capacity_j_k: Heat capacity of the medium (water, or metal and its air).
        shed_w_k: Heat that the medium sheds per kelvin above the ambient.
    """

    resistance_per_m4: float
    transfer_units: float
    rated_flow_kg_s: float
    heat_capacity_j_k: float
    shed_w_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineSpec:
    """An engine as the model sees it. Quantities over speed run linearly from low to top speed.

    Args:
        name: Name on the sheet.
        ignition: "spark" or "compression".
        cylinders: Number of cylinders.
        bore_mm: Cylinder bore.
        stroke_mm: Piston stroke.
        compression_ratio: Geometric compression ratio.
        rpm_low: Lowest speed of a pull.
        rpm_high: Highest speed of a pull.
        filling_peak: Gas-dynamic factor on ideal filling at its best speed.
        filling_peak_rpm: Speed of best filling.
        filling_fall: Share of filling lost at zero speed and at twice the best speed (parabola).
        filling_top: Factor on filling reached at the top speed, 1 at the low speed.
        intake_resistance_per_m4: Loss of filter and pipes before the engine or compressor.
        exhaust_resistance_per_m4: Loss of the pipes behind the engine or turbine.
        intake_heating_c: Heating of the charge by the intake of an engine without cooler, K.
        efficiency_share: Share of the ideal cycle's efficiency reached at best mixture and timing.
        lambda_low: Mixture held (spark) or smoke limit (compression) at low speed.
        lambda_high: The same at top speed.
        injection_mg: Fuel a cycle and cylinder at which the pump stops (compression only), mg.
        timing_low_deg: Degrees from best-torque timing at low speed, negative is late.
        timing_high_deg: The same at top speed.
        exhaust_heat_low: Share of the released heat that leaves with the exhaust at low speed.
        exhaust_heat_high: The same at top speed.
        peak_pressure_factor: Peak cylinder pressure over compression pressure.
        fuel: The fuel.
        friction: Friction law.
        turbo: Turbocharger, None for a naturally aspirated engine.
        cooler: Charge cooler, None where there is none.
        cylinder_spread_pct: How much leaner each cylinder runs than the mean, %; empty if alike.
    """

    name: str
    cylinders: int
    bore_mm: float
    stroke_mm: float
    compression_ratio: float
    rpm_low: float
    rpm_high: float
    filling_peak: float
    filling_peak_rpm: float
    filling_fall: float
    intake_resistance_per_m4: float
    exhaust_resistance_per_m4: float
    ignition: Ignition = "spark"
    filling_top: float = 1.0
    intake_heating_c: float = 8.0
    efficiency_share: float = 0.70
    lambda_low: float = 0.90
    lambda_high: float = 0.86
    injection_mg: float = 0.0
    timing_low_deg: float = -2.0
    timing_high_deg: float = -2.0
    exhaust_heat_low: float = 0.29
    exhaust_heat_high: float = 0.34
    peak_pressure_factor: float = 2.6
    fuel: Fuel = PETROL
    friction: Friction = field(default_factory=Friction)
    turbo: Turbo | None = None
    cooler: Cooler | None = None
    cylinder_spread_pct: tuple[float, ...] = ()

    def displacement_m3(self) -> float:
        """Return the swept volume of all cylinders, m3."""
        area = np.pi / 4.0 * (self.bore_mm / 1000.0) ** 2
        return float(area * self.stroke_mm / 1000.0 * self.cylinders)

    def over_speed(self, rpm: Floats, low: float, high: float) -> Floats:
        """Run linearly from a value at the low speed to one at the top speed."""
        share = (rpm - self.rpm_low) / (self.rpm_high - self.rpm_low)
        return low + (high - low) * share


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A change to an engine, as factors on its parts; 1 (or 0 degrees) leaves a part as it is.

    Args:
        name: Name on the sheet.
        changed: What was changed, in words.
        boost: Factor on gauge boost.
        mixture: Factor on lambda held (or on the smoke limit).
        fuelling: Factor on injected fuel (compression ignition).
        timing_deg: Degrees of earlier timing.
        filling: Factor on filling at every speed.
        filling_top: Factor on filling reached at the top speed, 1 at the low speed.
        intake_resistance: Factor on the intake's loss.
        exhaust_resistance: Factor on the exhaust's loss.
        cooler_resistance: Factor on the charge cooler's loss.
        cooler_transfer: Factor on the charge cooler's transfer units.
        cooler_capacity: Factor on the heat capacity of the cooler's medium.
        friction: Factor on the speed-dependent friction.
    """

    name: str
    changed: str = ""
    boost: float = 1.0
    mixture: float = 1.0
    fuelling: float = 1.0
    timing_deg: float = 0.0
    filling: float = 1.0
    filling_top: float = 1.0
    intake_resistance: float = 1.0
    exhaust_resistance: float = 1.0
    cooler_resistance: float = 1.0
    cooler_transfer: float = 1.0
    cooler_capacity: float = 1.0
    friction: float = 1.0

    def fit(self, engine: EngineSpec) -> EngineSpec:
        """Return the engine with this change fitted."""
        return replace(
            engine,
            filling_peak=engine.filling_peak * self.filling,
            filling_top=engine.filling_top * self.filling_top,
            intake_resistance_per_m4=engine.intake_resistance_per_m4 * self.intake_resistance,
            exhaust_resistance_per_m4=engine.exhaust_resistance_per_m4 * self.exhaust_resistance,
            lambda_low=engine.lambda_low * self.mixture,
            lambda_high=engine.lambda_high * self.mixture,
            injection_mg=engine.injection_mg * self.fuelling,
            timing_low_deg=engine.timing_low_deg + self.timing_deg,
            timing_high_deg=engine.timing_high_deg + self.timing_deg,
            friction=self._fit_friction(engine.friction),
            turbo=self._fit_turbo(engine.turbo),
            cooler=self._fit_cooler(engine.cooler),
        )

    def _fit_friction(self, part: Friction) -> Friction:
        return replace(
            part,
            speed_kpa_s_m=part.speed_kpa_s_m * self.friction,
            speed_squared_kpa_s2_m2=part.speed_squared_kpa_s2_m2 * self.friction,
        )

    def _fit_turbo(self, part: Turbo | None) -> Turbo | None:
        return None if part is None else replace(part, boost_kpa=part.boost_kpa * self.boost)

    def _fit_cooler(self, part: Cooler | None) -> Cooler | None:
        if part is None:
            return None
        return replace(
            part,
            resistance_per_m4=part.resistance_per_m4 * self.cooler_resistance,
            transfer_units=part.transfer_units * self.cooler_transfer,
            heat_capacity_j_k=part.heat_capacity_j_k * self.cooler_capacity,
        )


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
) -> EngineState:
    """Solve the engine at full load at each speed.

    Args:
        engine: The engine, with its change fitted.
        rpm: Engine speeds, shape (n,).
        air: The air it breathes.
        medium_c: Temperature of the cooler's medium, or of the intake of an engine without cooler,
            at each speed; the ambient's if None.
        disturbance: Departures of this pull.

    Returns:
        The state, arrays of shape (n,). Flow and pressures are consistent to 1e-9.
    """
    medium = np.broadcast_to(air.temperature_c if medium_c is None else medium_c, rpm.shape)
    flow = _first_guess(engine, rpm, air)
    charge = _charge(engine, rpm, air, flow, medium, disturbance=disturbance)
    for _ in range(_SOLVER_STEPS):
        flow = _flow_step(engine, rpm, air, charge, flow)
        charge = _charge(engine, rpm, air, flow, medium, disturbance=disturbance)
    return _state(engine, rpm, air, charge, flow)


def run_with_charge(engine: EngineSpec, rpm: Floats, air: Ambient, charge: Charge) -> EngineState:
    """Solve the engine with a given state of the air before its cylinders.

    This is how an effect is split by cause: pressure, temperature and mixture are taken from one
    setup or the other, the rest of the engine likewise.
    """
    flow = _first_guess(engine, rpm, air)
    for _ in range(_SOLVER_STEPS):
        flow = _flow_step(engine, rpm, air, charge, flow)
    return _state(engine, rpm, air, charge, flow)


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
