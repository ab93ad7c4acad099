"""Findings that tell of a danger to the engine or to people, whatever they mean for the data."""

from __future__ import annotations

FUEL_DANGER = (
    "Danger to the engine: at full load falling fuel pressure makes the mixture lean, which can "
    "melt pistons and valves. Stop pulling until tank, pump, filter and regulator have been "
    "checked by someone qualified; fuel leaks near a hot engine are a fire risk."
)
OIL_DANGER = (
    "Danger to the engine: bearings fail within seconds without oil pressure. Stop pulling until "
    "level, pick-up, pump and the gauge itself have been checked by someone qualified."
)
CYLINDER_DANGER = (
    "Danger to the engine: a cylinder that runs lean or hot can melt its piston or valves long "
    "before the others show anything. Do not pull again until injectors, plugs, leaks and the "
    "sensor itself have been checked by someone qualified to tune this engine."
)
DANGERS = frozenset(
    {
        *("fuel_pressure_lost", "fuel_pressure_falls", "fuel_pressure_unusual"),
        *("oil_pressure_falls", "oil_pressure_low", "oil_pressure_unusual"),
        *("lean_cylinder", "hot_cylinder", "cylinder_unusual"),
    }
)
"""Checks whose messages begin with one of the warnings."""


def split_warning(message: str) -> tuple[str, str]:
    """Return the warning a message begins with, "" if none, and what was found.

    Example:
        >>> split_warning(f"{OIL_DANGER} Oil pressure falls.")[1]
        'Oil pressure falls.'
    """
    for warning in (FUEL_DANGER, OIL_DANGER, CYLINDER_DANGER):
        if message.startswith(warning):
            return warning, message.removeprefix(warning).strip()
    return "", message
