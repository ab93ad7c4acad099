"""How far cylinders differ: mixture and exhaust temperature, cylinder by cylinder, over speed.

A lean or hot cylinder is a danger to the engine first and a matter of statistics second. Limits:
common practice, no published source; cautious ones.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
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
    """How far the cylinders of one pull differ.

    Args:
        channel: "lambda" or "exhaust_temperature".
        curve: One row a grid speed: rpm, mean, spread (largest less smallest), highest (number of
            the cylinder with the highest reading), above_mean (how far that one is above).
        rpm: Grid speed of the largest spread.
        spread: That spread, lambda or K.
        cylinder: Cylinder that is leanest (or hottest) there.
        above_mean: How far it is above the mean of all cylinders there.
    """

    channel: str
    curve: pl.DataFrame
    rpm: float
    spread: float
    cylinder: int
    above_mean: float


def measure_cylinders(curve: pl.DataFrame, channel: str) -> CylinderSpread | None:
    """Compare the cylinders of one pull over engine speed.

    Args:
        curve: One row a grid speed: rpm and channels such as lambda_1 or exhaust_temperature_1.
        channel: "lambda" or "exhaust_temperature".

    Returns:
        The spread; None when fewer than two cylinders were measured.
    """
    numbers = [
        int(match[1])
        for name in curve.columns
        if (match := re.fullmatch(rf"{channel}_(\d+)", name))
        and curve[name].null_count() < curve.height
    ]
    if len(numbers) < 2:
        return None
    table: Floats = np.column_stack(
        [curve[f"{channel}_{number}"].cast(pl.Float64).to_numpy() for number in numbers]
    )
    known = np.isfinite(table).sum(axis=1) > 1
    rpm, table = curve["rpm"].to_numpy()[known], table[known]
    if not len(rpm):
        return None
    mean = np.nanmean(table, axis=1)
    highest = np.nanargmax(table, axis=1)
    above = np.nanmax(table, axis=1) - mean
    spread = np.nanmax(table, axis=1) - np.nanmin(table, axis=1)
    worst = int(spread.argmax())
    return CylinderSpread(
        channel=channel,
        curve=pl.DataFrame(
            {
                "rpm": rpm,
                "mean": mean,
                "spread": spread,
                "highest": np.array(numbers)[highest],
                "above_mean": above,
            }
        ),
        rpm=float(rpm[worst]),
        spread=float(spread[worst]),
        cylinder=numbers[int(highest[worst])],
        above_mean=float(above[worst]),
    )


def check_cylinders(curve: pl.DataFrame) -> Iterator[Finding]:
    """Yield lean and hot cylinders."""
    mixture = measure_cylinders(curve, "lambda")
    if mixture is not None:
        yield from _check_mixture(mixture)
    heat = measure_cylinders(curve, "exhaust_temperature")
    if heat is not None:
        yield from _check_heat(heat)


def _check_mixture(found: CylinderSpread) -> Iterator[Finding]:
    leanest = found.curve.with_columns(value=pl.col("mean") + pl.col("above_mean"))
    lean = leanest.filter((pl.col("mean") < RICH_MEAN) & (pl.col("value") > LEAN_LAMBDA))
    if found.spread <= LAMBDA_SPREAD and lean.is_empty():
        return
    text = (
        f"Lambda differs by {found.spread:.3f} between cylinders at {found.rpm:.0f} rpm (limit "
        f"{LAMBDA_SPREAD:g}); the leanest there is cylinder {found.cylinder}, "
        f"{found.above_mean:.3f} above the mean."
    )
    if not lean.is_empty():
        worst = lean.sort("value", descending=True).row(0, named=True)
        text += (
            f" Cylinder {worst['highest']} runs at lambda {worst['value']:.2f} at "
            f"{worst['rpm']:.0f} rpm while the mean is {worst['mean']:.2f}."
        )
    yield Finding(check="lean_cylinder", severity="note", message=f"{CYLINDER_DANGER} {text}")


def _check_heat(found: CylinderSpread) -> Iterator[Finding]:
    hottest = found.curve.with_columns(value=pl.col("mean") + pl.col("above_mean"))
    peak = hottest.sort("value", descending=True).row(0, named=True)
    if found.spread <= EXHAUST_SPREAD_K and peak["value"] <= HOT_EXHAUST_C:
        return
    yield Finding(
        check="hot_cylinder",
        severity="note",
        message=f"{CYLINDER_DANGER} Exhaust temperature differs by {found.spread:.0f} K between "
        f"cylinders at {found.rpm:.0f} rpm (limit {EXHAUST_SPREAD_K:.0f} K); cylinder "
        f"{peak['highest']} reaches {peak['value']:.0f} degC at {peak['rpm']:.0f} rpm (limit "
        f"{HOT_EXHAUST_C:.0f} degC).",
    )
