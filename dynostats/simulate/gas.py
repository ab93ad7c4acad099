"""Air and its surroundings: ideal gas, humidity, density."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats

KELVIN = 273.15
GAS_CONSTANT_AIR = 287.05
"""Specific gas constant of dry air, J/(kg K); 8.31446 / 0.0289652 (ISO 2533 molar mass)."""
HEAT_CAPACITY_AIR = 1005.0
"""Heat capacity of air at constant pressure near 300 K, J/(kg K); Heywood 1988, table D.1."""
GAMMA_AIR = 1.4
"""Ratio of heat capacities of air near 300 K."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """The air that the engine breathes.

    Args:
        pressure_kpa: Absolute pressure, kPa.
        temperature_c: Dry-bulb temperature, degC.
        relative_humidity_pct: Relative humidity, %.
    """

    pressure_kpa: float = 99.0
    temperature_c: float = 25.0
    relative_humidity_pct: float = 40.0

    def dry_fraction(self) -> float:
        """Return the share of the pressure that is dry air, 0 to 1 (Dalton's law)."""
        saturation = _saturation_kpa(self.temperature_c)
        return 1.0 - saturation * self.relative_humidity_pct / 100.0 / self.pressure_kpa


def density_kg_m3(pressure_kpa: float | Floats, temperature_c: float | Floats) -> Floats:
    """Compute the density of dry air, kg/m3, by the ideal gas law p = rho R T."""
    p = np.asarray(pressure_kpa, dtype=np.float64)
    t = np.asarray(temperature_c, dtype=np.float64)
    return p * 1000.0 / (GAS_CONSTANT_AIR * (t + KELVIN))


def _saturation_kpa(temperature_c: float) -> float:
    """Return the vapour pressure of saturated air over water.

    Not the equation that the analysis uses: the simulated world must not share its errors. Source:
    Buck (1981), J. Appl. Meteorol. 20:1527, in the form of Buck Research's 1996 manual (constants
    from memory); within 0.05 % of IAPWS between 0 and 50 degC.
    """
    exponent = (18.678 - temperature_c / 234.5) * temperature_c / (257.14 + temperature_c)
    return 0.61121 * math.exp(exponent)
