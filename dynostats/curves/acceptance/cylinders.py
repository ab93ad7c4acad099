"""How far cylinders differ: mixture and exhaust temperature, cylinder by cylinder, over speed.

A lean or hot cylinder is a danger to the engine first and a matter of statistics second. Limits:
common practice, no published source; cautious ones.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from dynostats.arrays import Channels, Floats, Ints
from dynostats.curves.acceptance.danger import CYLINDER_DANGER
from dynostats.ingest import Finding

# Largest spread (richest to leanest) that passes without a word.
LAMBDA_SPREAD = 0.05
# An engine that runs rich on the mean and has a cylinder beyond this has a lean one.
LEAN_LAMBDA = 1.0
RICH_MEAN = 0.97
EXHAUST_SPREAD_K = 60.0
HOT_EXHAUST_C = 950.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CylinderSpread:
    """How far the cylinders of one pull differ, at each speed at which two or more were read.

    Args:
        rpm: Grid speeds, shape (speeds,).
        mean: Mean of the cylinders, lambda or degC, shape (speeds,).
        highest: Reading of the leanest (or hottest) cylinder, shape (speeds,).
        cylinder: Number of that cylinder, shape (speeds,).
        spread: Largest less smallest reading, lambda or K, shape (speeds,).
    """

    rpm: Floats
    mean: Floats
    highest: Floats
    cylinder: Ints
    spread: Floats


def measure_cylinders(curve: Channels, channel: str) -> CylinderSpread | None:
    """Compare the cylinders of one pull over engine speed.

    Args:
        curve: The pull on the grid: rpm and channels such as lambda_1 or exhaust_temperature_1.
        channel: "lambda" or "exhaust_temperature".

    Returns:
        The spread; None when there is no speed at which two cylinders were read.
    """
    numbers = _numbered(curve.names, channel)
    if len(numbers) < 2:
        return None
    rpm, table = curve["rpm"], curve.take([f"{channel}_{number}" for number in numbers])
    read = np.isfinite(table)
    top = low = table
    if not read.all():
        known = read.sum(axis=0) > 1
        if not known.any():
            return None
        rpm, table, read = rpm[known], table[:, known], read[:, known]
        top, low = np.where(read, table, -np.inf), np.where(read, table, np.inf)
    highest = top.max(axis=0)
    return CylinderSpread(
        rpm=rpm,
        mean=np.sum(table, axis=0, where=read) / np.sum(read, axis=0),
        highest=highest,
        cylinder=np.array(numbers)[top.argmax(axis=0)],
        spread=highest - low.min(axis=0),
    )


@lru_cache(maxsize=256)
def _numbered(names: tuple[str, ...], channel: str) -> tuple[int, ...]:
    """Return the numbers of the cylinders that have a channel of their own."""
    found = (re.fullmatch(rf"{channel}_(\d+)", name) for name in names)
    return tuple(int(match[1]) for match in found if match)


def check_cylinders(curve: Channels) -> Iterator[Finding]:
    """Yield lean and hot cylinders."""
    mixture = measure_cylinders(curve, "lambda")
    if mixture is not None:
        yield from _check_mixture(mixture)
    heat = measure_cylinders(curve, "exhaust_temperature")
    if heat is not None:
        yield from _check_heat(heat)


def _check_mixture(found: CylinderSpread) -> Iterator[Finding]:
    worst = int(found.spread.argmax())
    lean = (found.mean < RICH_MEAN) & (found.highest > LEAN_LAMBDA)
    if found.spread[worst] <= LAMBDA_SPREAD and not lean.any():
        return
    text = (
        f"Lambda differs by {found.spread[worst]:.3f} between cylinders at {found.rpm[worst]:.0f} "
        f"rpm (limit {LAMBDA_SPREAD:g}); the leanest there is cylinder {found.cylinder[worst]}, "
        f"{found.highest[worst] - found.mean[worst]:.3f} above the mean."
    )
    if lean.any():
        at = int(np.where(lean, found.highest, -np.inf).argmax())
        text += (
            f" Cylinder {found.cylinder[at]} runs at lambda {found.highest[at]:.2f} at "
            f"{found.rpm[at]:.0f} rpm while the mean is {found.mean[at]:.2f}."
        )
    yield Finding(check="lean_cylinder", severity="note", message=f"{CYLINDER_DANGER} {text}")


def _check_heat(found: CylinderSpread) -> Iterator[Finding]:
    worst, peak = int(found.spread.argmax()), int(found.highest.argmax())
    if found.spread[worst] <= EXHAUST_SPREAD_K and found.highest[peak] <= HOT_EXHAUST_C:
        return
    yield Finding(
        check="hot_cylinder",
        severity="note",
        message=f"{CYLINDER_DANGER} Exhaust temperature differs by {found.spread[worst]:.0f} K "
        f"between cylinders at {found.rpm[worst]:.0f} rpm (limit {EXHAUST_SPREAD_K:.0f} K); "
        f"cylinder {found.cylinder[peak]} reaches {found.highest[peak]:.0f} degC at "
        f"{found.rpm[peak]:.0f} rpm (limit {HOT_EXHAUST_C:.0f} degC).",
    )
