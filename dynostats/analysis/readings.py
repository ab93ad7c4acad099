"""Is what a channel reads fit to be used: covered, plausible, absolute, alive."""

from __future__ import annotations

import numpy as np

from dynostats.arrays import Flags, Floats

# At full load the manifold of an engine that breathes freely stands a little below the air of the
# cell; a reading under this share of it is a gauge pressure. Common practice, no published source.
LEAST_PRESSURE_SHARE = 0.6
LEAST_PRESSURE_KPA = 55.0  # where the air of the cell was not read
NOT_LOGGED = "was not logged"
# Share of the band that a channel must cover to be used.
LEAST_COVERED = 0.8
# Pulls whose curves agree to a millionth were not read apart.
SAME = 1e-6


def least_absolute(ambient_kpa: Floats) -> Floats:
    """Return the mean pressure under which a reading at full load is a gauge pressure, kPa.

    Args:
        ambient_kpa: Air pressure in the cell at each pull, shape (pulls,); NaN where not read.
    """
    known = np.isfinite(ambient_kpa)
    return np.where(known, LEAST_PRESSURE_SHARE * ambient_kpa, LEAST_PRESSURE_KPA)


def find_faults(
    values: Floats, *, bounds: tuple[float, float], least_kpa: Floats | None = None
) -> list[str]:
    """Return why each pull's reading cannot be used; "" where it can.

    Args:
        values: A channel in its unit, shape (pulls, speeds); NaN where not read.
        bounds: Least and most that it can read at all.
        least_kpa: Of an absolute pressure, what its mean must reach, shape (pulls,).
    """
    known = np.isfinite(values)
    covered = known.mean(axis=1)
    mean = np.where(known, values, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    low = np.where(known, values, np.inf).min(axis=1)
    high = np.where(known, values, -np.inf).max(axis=1)
    flat: Flags = (covered > 0) & (high - low <= SAME * np.abs(mean))
    # A channel may stand still honestly, but then it does in most pulls.
    seldom = bool(np.count_nonzero(flat) < 0.5 * np.count_nonzero(covered))
    gauge = [False] * len(mean) if least_kpa is None else (mean < least_kpa).tolist()
    return [
        _fault(
            (covered[row] == 0.0, NOT_LOGGED),
            (covered[row] < LEAST_COVERED, f"covers only {covered[row]:.0%} of the band"),
            (
                low[row] < bounds[0] or high[row] > bounds[1],
                f"reads {low[row]:.3g} to {high[row]:.3g}, which it cannot be",
            ),
            (gauge[row], f"averages {mean[row]:.0f} kPa at full load: a gauge pressure"),
            (bool(flat[row]) and seldom, "stands still through the whole pull"),
        )
        for row in range(len(values))
    ]


def _fault(*faults: tuple[bool, str]) -> str:
    return next((why for found, why in faults if found), "")


def longest_run(covered: Flags) -> Flags:
    """Return only the longest unbroken run of what is flagged, shape (speeds,)."""
    at = np.flatnonzero(covered)
    runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    kept = np.zeros(len(covered), dtype=np.bool_)
    kept[max(runs, key=len)] = True
    return kept
