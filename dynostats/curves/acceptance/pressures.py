"""Fuel and oil pressure over engine speed: a danger to the engine first, a matter of data second.

Limits: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dynostats.arrays import Floats
from dynostats.curves.acceptance.danger import FUEL_DANGER, OIL_DANGER
from dynostats.curves.acceptance.evidence import ROUNDING, Evidence
from dynostats.ingest import Finding

# A pump, filter or regulator that keeps up holds its pressure within a few percent.
FUEL_LOST_SHARE = 0.25
FUEL_FALL_SHARE = 0.10
# Above this a high-pressure pump works to a map of its own: only history tells what is usual.
RAIL_KPA = 1500.0
OIL_FALL_SHARE = 0.15
# Half of the rule of thumb '10 psi for every 1,000 rpm' (69 kPa): roller bearings need less.
OIL_KPA_PER_1000_RPM = 35.0


def check_pressures(pull: Evidence) -> Iterator[Finding]:
    """Yield what fuel and oil pressure say."""
    yield from _check_fuel(pull)
    yield from _check_oil(pull)


def _check_fuel(pull: Evidence) -> Iterator[Finding]:
    pressure = pull.channel("fuel_pressure")
    if pressure is None or not 0 < np.fmax.reduce(pressure) <= RAIL_KPA:
        return
    manifold = pull.channel("manifold_pressure")
    # A regulator that follows the manifold may give up what boost gives up.
    allowed = np.zeros_like(pressure) if manifold is None else np.nan_to_num(manifold)
    if _holds(pressure, FUEL_FALL_SHARE):
        return
    share, start, end = _largest_fall(pressure, allowed)
    if share <= FUEL_FALL_SHARE:
        return
    lost = share > FUEL_LOST_SHARE
    rpm = pull.rpm()
    yield Finding(
        check="fuel_pressure_lost" if lost else "fuel_pressure_falls",
        severity="void" if lost else "doubtful",
        message=f"{FUEL_DANGER} Fuel pressure falls by {share:.0%}, from {pressure[start]:.0f} kPa "
        f"at {rpm[start]:.0f} rpm to {pressure[end]:.0f} kPa at {rpm[end]:.0f} rpm (limit "
        f"{FUEL_FALL_SHARE:.0%}).",
    )


def _check_oil(pull: Evidence) -> Iterator[Finding]:
    pressure = pull.channel("oil_pressure")
    if pressure is None or np.fmax.reduce(pressure) <= 0:
        return
    rpm = pull.rpm()
    share, start, end = 0.0, 0, 0
    if not _holds(pressure, OIL_FALL_SHARE):
        share, start, end = _largest_fall(pressure, np.zeros_like(pressure))
    if share > OIL_FALL_SHARE:
        yield Finding(
            check="oil_pressure_falls",
            severity="doubtful",
            message=f"{OIL_DANGER} Oil pressure falls by {share:.0%} while speed rises, from "
            f"{pressure[start]:.0f} kPa at {rpm[start]:.0f} rpm to {pressure[end]:.0f} kPa at "
            f"{rpm[end]:.0f} rpm (limit {OIL_FALL_SHARE:.0%}).",
        )
    per_1000 = 1000.0 * pressure / rpm
    if np.fmin.reduce(per_1000) < OIL_KPA_PER_1000_RPM:
        low = int(np.nanargmin(per_1000))
        yield Finding(
            check="oil_pressure_low",
            severity="note",
            message=f"{OIL_DANGER} Oil pressure is {pressure[low]:.0f} kPa at {rpm[low]:.0f} rpm, "
            f"{per_1000[low]:.0f} kPa for every 1,000 rpm (cautious limit "
            f"{OIL_KPA_PER_1000_RPM:.0f} kPa; engines on roller bearings run with less).",
        )


def _holds(pressure: Floats, most: float) -> bool:
    """Tell the ordinary pull from what must be looked at: it never falls by more than a share."""
    highest = np.maximum.accumulate(pressure)  # not a number from the first missing reading on
    return bool(np.all(pressure >= (1.0 - most) * (1.0 + ROUNDING) * highest)) and highest[0] > 0.0


def _largest_fall(pressure: Floats, allowed: Floats) -> tuple[float, int, int]:
    """Return the largest fall from an earlier reading, as a share of it, and where.

    Args:
        pressure: Shape (speeds,), NaN where missing.
        allowed: Another pressure whose own fall is no loss, shape (speeds,).
    """
    fall = pressure[:, None] - pressure[None, :]
    fall = fall - np.clip(allowed[:, None] - allowed[None, :], 0.0, None)
    # A gauge that reads nothing, or less, has nothing left to lose.
    share = np.triu(fall / np.where(pressure > 0.0, pressure, np.nan)[:, None], k=1)
    share[~np.isfinite(share)] = 0.0
    start, end = np.unravel_index(int(share.argmax()), share.shape)
    return float(share[start, end]), int(start), int(end)
