"""What happens in the cylinder: filling, burning, friction, exhaust temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate.airpath import HEAT_CAPACITY_EXHAUST
from dynostats.simulate.gas import KELVIN

Ignition = Literal["spark", "compression"]

BEST_POWER_LAMBDA = 0.90
"""Mixture of most torque at a given air flow: equivalence ratio 1.1; Heywood 1988, sec. 7.1."""
GAMMA_BURNED = 1.30
"""Effective ratio of heat capacities over the cycle; Heywood 1988, sec. 5.5 (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fuel:
    """A fuel.

    Args:
        name: Its kind.
        stoichiometric_ratio: Air over fuel by mass at lambda 1.
        heating_value_mj_kg: Lower heating value, MJ/kg.

    Source:
        Heywood 1988, table D.4, rounded (petrol 14.6 and 44.0; light diesel 14.5 and 42.5); 14.7
        for petrol is the figure of common practice.
    """

    name: str
    stoichiometric_ratio: float
    heating_value_mj_kg: float


PETROL = Fuel(name="petrol", stoichiometric_ratio=14.7, heating_value_mj_kg=44.0)
DIESEL = Fuel(name="diesel", stoichiometric_ratio=14.5, heating_value_mj_kg=42.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Friction:
    """Chen-Flynn friction: mean effective pressure from peak pressure and mean piston speed.

    Args:
        constant_kpa: Auxiliaries and dry friction.
        peak_pressure_share: Friction per unit of peak cylinder pressure.
        speed_kpa_s_m: Friction per m/s of mean piston speed (hydrodynamic).
        speed_squared_kpa_s2_m2: Friction per (m/s)^2 (windage).

    Source:
        Chen & Flynn, SAE 650733 (1965): 13.7 kPa, 0.005, 16.2 kPa s/m for a single-cylinder
        research diesel (from memory); the defaults are of today's size for multi-cylinder engines.
    """

    constant_kpa: float = 40.0
    peak_pressure_share: float = 0.005
    speed_kpa_s_m: float = 5.0
    speed_squared_kpa_s2_m2: float = 0.40

    def mean_effective_pressure_kpa(
        self, peak_pressure_kpa: Floats, piston_speed_m_s: Floats
    ) -> Floats:
        """Compute the friction mean effective pressure, kPa."""
        return (
            self.constant_kpa
            + self.peak_pressure_share * peak_pressure_kpa
            + self.speed_kpa_s_m * piston_speed_m_s
            + self.speed_squared_kpa_s2_m2 * piston_speed_m_s**2
        )


def ideal_filling(compression_ratio: float, exhaust_over_intake: Floats) -> Floats:
    """Compute the volumetric efficiency of the ideal cycle against manifold density.

    Residual gas left at exhaust pressure takes room of fresh charge:
    rc / (rc - 1) - [pe / pi + (g - 1)] / [g (rc - 1)].

    Args:
        compression_ratio: rc.
        exhaust_over_intake: Exhaust over intake manifold pressure, both absolute.

    Source:
        Heywood 1988, eq. (6.2), without the fuel vapour and reference-state factors; g = 1.4.
    """
    rc, g = compression_ratio, 1.4
    return rc / (rc - 1.0) - (exhaust_over_intake + g - 1.0) / (g * (rc - 1.0))


def wall_heating_factor(charge_temperature_c: Floats) -> Floats:
    """Compute filling relative to a charge of 35 degC: (T / 308.15 K)^0.45.

    Hot walls warm a cold charge more, so filling per manifold density rises with temperature and
    torque falls with T^0.6 or so instead of T.

    Source:
        ISO 1585 corrects spark-ignition engines by T^0.6 and SAE J1349 by T^0.5; Heywood 1988,
        sec. 6.2.3 gives filling as the square root of temperature. 0.45 is our choice.
    """
    return ((charge_temperature_c + KELVIN) / 308.15) ** 0.45


def indicated_efficiency(compression_ratio: float, share: float) -> float:
    """Compute the gross indicated efficiency at the best mixture and spark, 0 to 1.

    The constant-volume cycle 1 - rc^(1 - g) times the share of it that a real engine reaches.

    Source:
        Heywood 1988, eq. (5.31); sec. 5.8 for the share (fuel-air cycle, heat loss, timing).
    """
    return share * (1.0 - compression_ratio ** (1.0 - GAMMA_BURNED))


def mixture_torque_factor(lam: Floats, ignition: Ignition) -> Floats:
    """Compute torque relative to the best mixture, at equal air (spark) or equal fuel (diesel).

    Spark: a parabola about lambda 0.90, 3% down at 0.80 and 1.00. Compression: efficiency falls
    off towards the smoke limit, 1 - 0.25 exp(-(lambda - 1) / 0.25).

    Source:
        Shapes after Heywood 1988, figs. 9-9 and 15-8; the coefficients are from memory.
    """
    if ignition == "spark":
        return 1.0 - 3.0 * (lam - BEST_POWER_LAMBDA) ** 2
    return 1.0 - 0.25 * np.exp(-(lam - 1.0) / 0.25)


def fuel_use_factor(lam: Floats, ignition: Ignition) -> Floats:
    """Compute efficiency relative to the best-torque mixture, both per kilogram of fuel.

    At equal air, fuel goes as 1 / lambda: efficiency is torque factor x lambda / 0.90 for spark.
    """
    torque = mixture_torque_factor(lam, ignition)
    return torque * lam / BEST_POWER_LAMBDA if ignition == "spark" else torque


def timing_factor(degrees_from_best: Floats) -> Floats:
    """Compute torque relative to best-torque timing: 1 - 0.00035 per degree squared.

    Source:
        Heywood 1988, fig. 15-3 (about 1% at 5 degrees, 3 to 4% at 10); coefficient from memory.
    """
    return 1.0 - 0.00035 * degrees_from_best**2


def exhaust_temperature_c(
    charge_temperature_c: Floats, heat_share: Floats, fuel_over_gas: Floats, lam: Floats, fuel: Fuel
) -> Floats:
    """Compute the exhaust temperature, degC, from the share of the released heat that leaves.

    In rich mixtures only the oxygen's worth of fuel burns: heat goes as min(1, lambda).

    Args:
        charge_temperature_c: Temperature of the charge.
        heat_share: Share of the heat that leaves with the exhaust, 0.3 to 0.4.
        fuel_over_gas: Fuel mass over air plus fuel mass.
        lam: Air over stoichiometric air.
        fuel: The fuel.

    Source:
        First law; shares by Heywood 1988, table 12.1.
    """
    burned = fuel_over_gas * np.minimum(1.0, lam)
    rise = heat_share * burned * fuel.heating_value_mj_kg * 1e6 / HEAT_CAPACITY_EXHAUST
    return charge_temperature_c + rise


def piston_speed_m_s(stroke_mm: float, rpm: Floats) -> Floats:
    """Compute the mean piston speed, m/s: two strokes a revolution."""
    return 2.0 * stroke_mm / 1000.0 * rpm / 60.0
