"""The way of the air to the engine and of the gas from it: losses, compressor, cooler, turbine.

All relations are quasi-steady (mean-value): they hold at each engine speed as if the engine stood
there. Units: kPa, degC (K where named), kg/s.
"""

from __future__ import annotations

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate.gas import GAMMA_AIR, HEAT_CAPACITY_AIR, KELVIN

HEAT_CAPACITY_EXHAUST = 1150.0
"""Heat capacity of burned gas near 1000 K, J/(kg K); Heywood 1988, ch. 6 (from memory)."""
GAS_CONSTANT_EXHAUST = 287.0
GAMMA_EXHAUST = 1.33
SHAFT_EFFICIENCY = 0.97


def pressure_loss_kpa(resistance_per_m4: float, flow_kg_s: Floats, density_kg_m3: Floats) -> Floats:
    """Compute the total pressure lost by turbulent flow through a passage, kPa.

    dp = zeta rho v^2 / 2 with v = m / (rho A), hence dp = (zeta / A^2) m^2 / (2 rho).

    Args:
        resistance_per_m4: zeta / A^2, the loss coefficient over the squared area, 1/m^4.
        flow_kg_s: Mass flow.
        density_kg_m3: Density of the gas in the passage.

    Source:
        Darcy-Weisbach form for minor losses; Idelchik, Handbook of Hydraulic Resistance, ch. 1.
    """
    return resistance_per_m4 * flow_kg_s**2 / (2.0 * density_kg_m3) / 1000.0


def compressor_out_temperature_c(
    inlet_temperature_c: float | Floats, pressure_ratio: Floats, efficiency: float | Floats
) -> Floats:
    """Compute the temperature behind a compressor, degC.

    T2 = T1 [1 + (PR^((g - 1) / g) - 1) / eta], T in kelvin, total-to-total.

    Args:
        inlet_temperature_c: Temperature before the compressor.
        pressure_ratio: Outlet over inlet pressure, both absolute.
        efficiency: Isentropic efficiency, 0 to 1.

    Source:
        Heywood 1988, eq. (6.42).
    """
    inlet_k = np.asarray(inlet_temperature_c, dtype=np.float64) + KELVIN
    rise = (pressure_ratio ** ((GAMMA_AIR - 1.0) / GAMMA_AIR) - 1.0) / efficiency
    return inlet_k * (1.0 + rise) - KELVIN


def compressor_work_j_kg(
    inlet_temperature_c: float | Floats, outlet_temperature_c: Floats
) -> Floats:
    """Compute the work per kilogram of air, J/kg: the steady-flow enthalpy rise cp (T2 - T1)."""
    return HEAT_CAPACITY_AIR * (outlet_temperature_c - inlet_temperature_c)


def cooler_effectiveness(
    transfer_units: float, flow_kg_s: Floats, rated_flow_kg_s: float
) -> Floats:
    """Compute the effectiveness (T_in - T_out) / (T_in - T_medium) of a charge cooler, 0 to 1.

    1 - exp(-NTU), the limit of a medium much heavier in heat capacity than the charge. The transfer
    coefficient of turbulent flow grows as flow^0.8, so NTU falls as flow^-0.2.

    Args:
        transfer_units: NTU at the rated flow.
        flow_kg_s: Charge flow.
        rated_flow_kg_s: Flow at which `transfer_units` holds.

    Source:
        Kays & London, Compact Heat Exchangers, ch. 2 (C* = 0); exponent by Dittus-Boelter.
    """
    return 1.0 - np.exp(-transfer_units * (flow_kg_s / rated_flow_kg_s) ** -0.2)


def turbine_expansion_ratio(
    shaft_power_w: Floats,
    back_pressure_kpa: Floats,
    inlet_temperature_c: Floats,
    *,
    flow_coefficient: float,
    efficiency: float,
) -> Floats:
    """Find the expansion ratio p3 / p4 at which the turbine gives the power asked for.

    The wastegate passes what the turbine does not need: turbine flow is phi p3 / sqrt(T3) (choked
    form), its power m cp T3 eta (1 - ER^-k), k = (g - 1) / g. With p3 = ER p4 this gives
    ER - ER^(1 - k) = P / (phi p4 sqrt(T3) cp eta), solved by Newton steps.

    Args:
        shaft_power_w: Compressor power over shaft efficiency, W.
        back_pressure_kpa: Pressure behind the turbine.
        inlet_temperature_c: Exhaust temperature before the turbine.
        flow_coefficient: phi, kg sqrt(K) / (s Pa).
        efficiency: Isentropic efficiency of the turbine, 0 to 1.

    Source:
        Heywood 1988, eq. (6.48) for the power; the flow form is the choked limit of eq. (C.9).
    """
    inlet_k = inlet_temperature_c + KELVIN
    k = (GAMMA_EXHAUST - 1.0) / GAMMA_EXHAUST
    flow_side = flow_coefficient * back_pressure_kpa * 1000.0 * np.sqrt(inlet_k)
    target = shaft_power_w / (flow_side * HEAT_CAPACITY_EXHAUST * efficiency)
    ratio = 1.0 + target / k
    for _ in range(5):  # quadratic: 1e-15 for every ratio up to 8
        ratio = ratio - (ratio - ratio ** (1.0 - k) - target) / (1.0 - (1.0 - k) * ratio**-k)
    return ratio
