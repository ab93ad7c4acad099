"""Correction factors worked out apart from the program, the way each text writes its formula.

Nothing of dynostats is used. Vapour pressure: Buck (1996), within 0.05% of IAPWS from 0 to 50 degC.
Each standard in the units of its text (mbar, inHg, degF, Torr), with what was read and what is from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

CONDITIONS = ((100.0, 30.0, 50.0), (98.2, 18.5, 65.0), (99.0, 25.0, 0.0))
"""Barometer kPa, degC, % relative humidity."""

KPA_PER_INHG = 3.386389


@dataclass(frozen=True, kw_only=True)
class Apart:
    """A standard's factor.

    Args:
        name: Name in dynostats.
        factor: Factor at (kPa, degC, %).
        source: Where the formula was read, or that it is from memory.
    """

    name: str
    factor: Callable[[float, float, float], float]
    source: str


def vapour_kpa(celsius: float, humidity: float) -> float:
    """Return the pressure of the water vapour. Source: Buck Research (1996), over water."""
    saturated = 0.61121 * math.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))
    return humidity / 100.0 * saturated


def j1349_1990(kpa: float, celsius: float, humidity: float) -> float:
    """1.180 [(990 / Pd) ((Tc + 273) / 298)^0.5] - 0.18, Pd in mbar."""
    dry_mbar = 10.0 * (kpa - vapour_kpa(celsius, humidity))
    return 1.180 * (990.0 / dry_mbar) * ((celsius + 273.0) / 298.0) ** 0.5 - 0.18


def j1349_2004(kpa: float, celsius: float, humidity: float) -> float:
    """The same with the exact reciprocal of the assumed mechanical efficiency, 85%."""
    dry_mbar = 10.0 * (kpa - vapour_kpa(celsius, humidity))
    return 1.176 * (990.0 / dry_mbar) * ((celsius + 273.0) / 298.0) ** 0.5 - 0.176


def j607(kpa: float, celsius: float, humidity: float) -> float:
    """(29.92 / Pd) ((Tf + 460) / 520)^0.5, Pd in inHg, Tf in degF."""
    dry_inhg = (kpa - vapour_kpa(celsius, humidity)) / KPA_PER_INHG
    return 29.92 / dry_inhg * ((1.8 * celsius + 32.0 + 460.0) / 520.0) ** 0.5


def alpha_a(kpa: float, celsius: float, humidity: float) -> float:
    """(99 / ps)^1.2 (T / 298)^0.6, ps dry in kPa, T = t + 273."""
    dry = kpa - vapour_kpa(celsius, humidity)
    return (99.0 / dry) ** 1.2 * ((celsius + 273.0) / 298.0) ** 0.6


def fa(pressure: float, temperature: float) -> Callable[[float, float, float], float]:
    """Return the air factor of compression ignition with its exponents, at fm = 1."""

    def factor(kpa: float, celsius: float, humidity: float) -> float:
        dry = kpa - vapour_kpa(celsius, humidity)
        return (99.0 / dry) ** pressure * ((celsius + 273.0) / 298.0) ** temperature

    return factor


def din(kpa: float, celsius: float, _: float) -> float:
    """(760 / b) ((t + 273) / 293)^0.5, b the whole pressure in Torr."""
    torr = kpa * 760.0 / 101.325
    return 760.0 / torr * ((celsius + 273.0) / 293.0) ** 0.5


READ_J1349 = "read: public quotations of SAE J1349 JUN90"
READ_88_195 = "read: Directive 88/195/EEC, of the same text"
MEMORY = "from memory"
APART = (
    Apart(name="sae_j1349", factor=j1349_1990, source=READ_J1349),
    Apart(
        name="sae_j1349_2004",
        factor=j1349_2004,
        source="read: one secondary source for 1.176; 1 / 0.85 = 1.17647",
    ),
    Apart(name="sae_j607", factor=j607, source=MEMORY),
    Apart(name="iso_1585", factor=alpha_a, source=READ_88_195),
    Apart(name="un_r85", factor=alpha_a, source=READ_88_195),
    Apart(name="jis_d_1001", factor=alpha_a, source="read: JIS D 1001:1993 as quoted"),
    Apart(name="din_70020", factor=din, source="read: reference air; formula from memory"),
    Apart(name="iso_1585_ci", factor=fa(1.0, 0.7), source=MEMORY),
    Apart(name="iso_1585_ci_turbo", factor=fa(0.7, 1.2), source=MEMORY),
    Apart(name="iso_1585_ci_turbo_liquid", factor=fa(0.7, 0.7), source=MEMORY),
    Apart(name="un_r85_ci", factor=fa(1.0, 0.7), source=MEMORY),
    Apart(name="un_r85_ci_turbo", factor=fa(0.7, 1.5), source=MEMORY),
)
