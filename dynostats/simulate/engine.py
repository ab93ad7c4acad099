"""An engine as the mean-value model sees it: its parts and their sizes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate.cylinder import PETROL, Friction, Fuel, Ignition


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
