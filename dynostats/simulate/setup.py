"""A change to an engine."""

from __future__ import annotations

from dataclasses import dataclass, replace

from dynostats.simulate.cylinder import Friction
from dynostats.simulate.engine import Cooler, EngineSpec, Turbo


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A change to an engine, as factors on its parts; 1 (or 0 degrees) leaves a part as it is.

    Args:
        name: Name on the sheet.
        changed: What was changed, in words: the kind of change, a colon, the change.
        relative_to: Setup it was changed from; "" for an engine as delivered.
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
    relative_to: str = ""
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
