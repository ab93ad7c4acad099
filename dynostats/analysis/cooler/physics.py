"""The relations of a charge cooler: density, effectiveness, resistance."""

from __future__ import annotations

from typing import Final

import numpy as np

from dynostats.arrays import Floats

# Specific gas constant of dry air, J/(kg K). Source: ICAO Doc 7488, Manual of the ICAO Standard
# Atmosphere (from memory): 287.05287.
AIR_CONSTANT: Final = 287.05287
ZERO_CELSIUS: Final = 273.15
# With less between charge and medium than this, K, an effectiveness is mostly error of reading.
LEAST_APPROACH_K: Final = 10.0


def density_kg_m3(pressure_kpa: Floats, temperature_c: Floats) -> Floats:
    """Return the density of air as an ideal gas, p / (R T), kg/m3."""
    return 1000.0 * pressure_kpa / (AIR_CONSTANT * (temperature_c + ZERO_CELSIUS))


def effectiveness(in_c: Floats, out_c: Floats, medium_c: Floats) -> Floats:
    """Return (T_in - T_out) / (T_in - T_medium); NaN where charge and medium are hardly apart.

    Source: Kays & London, Compact Heat Exchangers, ch. 2 (from memory): heat moved over the most
    that could be, where the medium's heat capacity is the larger.
    """
    most = in_c - medium_c
    apart = np.nan_to_num(most, nan=0.0) >= LEAST_APPROACH_K
    return np.where(apart, (in_c - out_c) / np.where(apart, most, 1.0), np.nan)


def resistance(loss_kpa: Floats, flow_kg_h: Floats, density: Floats) -> Floats:
    """Return the resistance k in loss = k flow^2 / density of each pull, shape (pulls,).

    Least squares over the band, through zero. Turbulent flow through a passage loses pressure in
    that way; source: Idelchik, Handbook of Hydraulic Resistance, ch. 1 (from memory).

    Args:
        loss_kpa: Pressure lost, shape (pulls, speeds).
        flow_kg_h: Mass flow, likewise.
        density: Mean density in the passage, kg/m3, likewise.
    """
    squared = flow_kg_h**2 / density
    return (loss_kpa * squared).sum(axis=1) / (squared**2).sum(axis=1)


def at_flows(values: Floats, flow_kg_h: Floats, wanted: Floats) -> Floats:
    """Return what stands at some air flows, pull by pull, by straight lines between speeds.

    Args:
        values: Shape (pulls, speeds).
        flow_kg_h: Air flow, likewise.
        wanted: Air flows, shape (flows,); NaN comes back outside a pull's own.
    """
    found = np.full((len(values), len(wanted)), np.nan)
    for row, (own, flow) in enumerate(zip(values, flow_kg_h, strict=True)):
        known = np.isfinite(own) & np.isfinite(flow)
        if known.any():
            order = np.argsort(flow[known])
            found[row] = np.interp(
                wanted, flow[known][order], own[known][order], left=np.nan, right=np.nan
            )
    return found
