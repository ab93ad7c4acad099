"""Ambient correction: the published standards under their own names, with their limits.

They bring full-load torque to one air, each to its own: factors of different standards are never
compared. All assume full load and an engine that breathes the air of the cell freely; boost that
is held by a controller breaks that.
"""

from __future__ import annotations

from dynostats.curves.correction.air import READING_SDS, Air, dry_pressure_kpa, read_air
from dynostats.curves.correction.standards import EngineFactor, Standard, fuel_per_cycle
from dynostats.curves.correction.table import NONE, STANDARDS, find_standard

__all__ = [
    "NONE",
    "READING_SDS",
    "STANDARDS",
    "Air",
    "EngineFactor",
    "Standard",
    "dry_pressure_kpa",
    "find_standard",
    "fuel_per_cycle",
    "read_air",
]
