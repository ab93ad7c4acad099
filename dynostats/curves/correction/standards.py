"""What a correction standard is: formula, air it holds in, and what it says beyond that."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dynostats.arrays import Floats
from dynostats.curves.correction.air import READING_SDS, Air, dry_pressure_kpa
from dynostats.errors import AnalysisError

Ignition = Literal["spark", "compression"]
# Four-stroke engines: mg of fuel a litre and cycle from g/s, litres and 1/min.
FOUR_STROKE = 120_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineFactor:
    """How strongly a compression-ignition engine feels the air, by its fuel a litre and cycle.

    fm = 0.036 qc - 1.14 between `from_qc` and 65 mg/(l cycle), `least` below, 1.2 above.

    Args:
        from_qc: Where the line begins, mg/(l cycle).
        least: The factor below it.
    """

    from_qc: float
    least: float

    def at(self, qc: Floats) -> Floats:
        """Return the factor at each fuel quantity, mg/(l cycle), any shape."""
        line = 0.036 * qc - 1.14
        return np.where(qc < self.from_qc, self.least, np.where(qc > 65.0, 1.2, line))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """One published correction.

    The air's part is a = (reference / p) ^ pressure_exponent x (T / reference) ^
    temperature_exponent. The factor on torque and power is a itself; `gain` a - (gain - 1) where
    a mechanical efficiency of 1 / gain is assumed; or a ^ fm with an engine factor.

    Args:
        name: Name on the command line.
        title: Its published name.
        ignition: Which engines it is for.
        reference_kpa: Reference pressure: of the dry air, or total where `dry` is False.
        reference_k: Reference temperature, K.
        zero_k: What the standard adds to degC for K (273, not 273.15).
        dry: Whether the pressure is that of the dry air.
        pressure_exponent: See above.
        temperature_exponent: See above.
        gain: See above; 1 where no mechanical efficiency is assumed.
        engine_factor: For compression ignition; None for spark ignition.
        range_c: Temperatures it holds in, degC.
        range_kpa: Pressures it holds in, kPa, of the kind it uses.
        refuses: Whether it holds only inside those; else a value outside is marked.
        range_factor: Factors beyond which the value may be stated only with the conditions of the
            test; None where none is known.
        compensated_is_one: Whether boost that compensates for the air of the cell makes the
            factor one.
        source: Where formula and limits come from, and what is from memory.
    """

    name: str
    title: str
    ignition: Ignition
    reference_kpa: float
    reference_k: float
    pressure_exponent: float
    temperature_exponent: float
    range_c: tuple[float, float]
    range_kpa: tuple[float, float]
    range_factor: tuple[float, float] | None
    source: str
    zero_k: float = 273.0
    dry: bool = True
    gain: float = 1.0
    engine_factor: EngineFactor | None = None
    refuses: bool = True
    compensated_is_one: bool = False

    @property
    def needs_humidity(self) -> bool:
        """Tell whether the pressure of the dry air is needed."""
        return self.dry

    def factor(self, air: Air) -> float:
        """Return the factor on torque; for compression ignition that of an engine factor of 1.

        Raises:
            AnalysisError: If the humidity is needed and was not read.

        Example:
            >>> from dynostats.curves.correction import STANDARDS
            >>> air = Air(pressure_kpa=100.0, temperature_c=30.0, humidity_pct=50.0)
            >>> round(STANDARDS["iso_1585"].factor(air), 4)
            1.024
        """
        pressure = self._pressure_kpa(air)
        ratio = (self.reference_kpa / pressure) ** self.pressure_exponent
        ratio *= ((air.temperature_c + self.zero_k) / self.reference_k) ** self.temperature_exponent
        return self.gain * ratio - (self.gain - 1.0)

    def sensitivity(self, air: Air) -> tuple[float, float, float]:
        """Return the change of the log factor by one SD of each reading: pressure, degC, %."""
        here = math.log(self.factor(air))
        pressure, temperature, humidity = READING_SDS
        moved = [
            Air(
                pressure_kpa=air.pressure_kpa + dp,
                temperature_c=air.temperature_c + dt,
                humidity_pct=None if air.humidity_pct is None else air.humidity_pct + dh,
            )
            for dp, dt, dh in (
                (pressure, 0.0, 0.0),
                (0.0, temperature, 0.0),
                (0.0, 0.0, humidity),
            )
        ]
        first, second, third = (math.log(self.factor(one)) - here for one in moved)
        return first, second, third

    def require_range(self, air: Air, *, where: str) -> None:
        """Do nothing if the standard holds in this air, or marks it instead.

        Raises:
            AnalysisError: If it does not hold.
        """
        outside = self._outside(air)
        if outside and self.refuses:
            raise AnalysisError(
                f"{self.title} does not hold in this air: {outside}",
                where=where,
                mend="Compare uncorrected (--correction none) pulls of one session, where the air "
                "cancels; or check the readings.",
            )

    def mark(self, air: Air, factor: float) -> str:
        """Return what must be said of a corrected value; "" when nothing."""
        outside = self._outside(air)
        if not outside and self.range_factor is not None:
            low, high = self.range_factor
            if not low <= factor <= high:
                outside = f"its factor {factor:.3f} is outside {low:g} to {high:g}"
        if not outside:
            return ""
        return (
            f"{outside}: the corrected value may be stated only together with the air of the test "
            f"({_said(air)})"
        )

    def _pressure_kpa(self, air: Air) -> float:
        return dry_pressure_kpa(air) if self.dry else air.pressure_kpa

    def _outside(self, air: Air) -> str:
        kind = "dry pressure" if self.dry else "pressure"
        checks = (
            ("temperature", air.temperature_c, self.range_c, "degC"),
            (kind, self._pressure_kpa(air), self.range_kpa, "kPa"),
        )
        return " and ".join(
            f"{what} {value:.1f} {unit} is outside {low:g} to {high:g} {unit}"
            for what, value, (low, high), unit in checks
            if not low <= value <= high
        )


def fuel_per_cycle(
    fuel_flow_kg_h: Floats, rpm: Floats, *, displacement_l: float, boost_ratio: Floats
) -> Floats:
    """Return the corrected fuel quantity qc of a four-stroke engine, mg/(l cycle).

    Args:
        fuel_flow_kg_h: Fuel flow.
        rpm: Engine speed.
        displacement_l: Swept volume.
        boost_ratio: Absolute pressure behind the compressor over the cell's; 1 without one.

    Source:
        UN R85 annex 5, 5.4.2.2: qc = q / r, q = 120000 x fuel [g/s] / (volume [l] x speed [1/min]).

    Example:
        >>> float(fuel_per_cycle(36.0, 2000.0, displacement_l=6.0, boost_ratio=2.0))
        50.0
    """
    grams_a_second = fuel_flow_kg_h / 3.6
    return FOUR_STROKE * grams_a_second / (displacement_l * rpm) / boost_ratio


def _said(air: Air) -> str:
    humidity = "" if air.humidity_pct is None else f", {air.humidity_pct:.0f}% humidity"
    return f"{air.pressure_kpa:.1f} kPa, {air.temperature_c:.1f} degC{humidity}"
