"""Small figures of columns: range, median, power against torque times speed."""

from __future__ import annotations

import numpy as np

from dynostats.arrays import Floats
from dynostats.units import power_kw

# What the fastest moment of a pull can be; common practice, no published source.
FASTEST_RPM = (400.0, 30_000.0)
# Air that a test cell can have, in stored units; common practice, no published source.
POSSIBLE_AIR = {
    "ambient_pressure": (50.0, 110.0),
    "ambient_temperature": (-30.0, 50.0),
    "relative_humidity": (0.0, 100.0),
    "vapour_pressure": (0.0, 13.0),
}
# Below this share of the largest power, rounding and friction make the ratio meaningless.
_LOADED_POWER_SHARE = 0.2


def find_median(values: Floats) -> float:
    """Return the median of finite values; NaN for none. Numpy's own costs ten times as much."""
    ordered = np.sort(values)
    count = ordered.size
    return float(ordered[(count - 1) // 2] + ordered[count // 2]) / 2.0 if count else float("nan")


def value_range(values: Floats) -> tuple[float, float]:
    """Return lowest and highest value; NaN for none."""
    if not np.isfinite(values).any():
        return float("nan"), float("nan")
    return float(np.fmin.reduce(values)), float(np.fmax.reduce(values))


def power_ratio(torque: Floats, power: Floats, speed_rpm: Floats) -> float | None:
    """Return stated power over torque times speed, median over loaded rows; None without any.

    Args:
        torque: N.m, shape (rows,).
        power: kW, shape (rows,).
        speed_rpm: 1/min, shape (rows,).
    """
    expected = power_kw(torque, speed_rpm)
    largest = value_range(expected)[1]
    loaded = np.greater(expected, max(0.0, _LOADED_POWER_SHARE * largest))
    ratios = power[loaded] / expected[loaded]
    ratios = ratios[np.isfinite(ratios)]
    return find_median(ratios) if ratios.size else None
