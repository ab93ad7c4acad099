"""The torque that a sweep spends on its turning parts: T = T_brake + J dw/dt."""

from __future__ import annotations

import math

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Floats

# Crankshaft, flywheel, clutch and the rotor of the brake of a car engine; common practice, no
# published source. Only for saying what a difference in sweep rate could fake.
TYPICAL_INERTIA_KG_M2 = 0.2
# A faked effect below this share of the margin is not worth a word.
SMALL_SHARE = 0.2


def sweep_rates(clock: Floats, rpm: Floats) -> Floats:
    """Return how fast engine speed rose at each speed.

    The clock as a function of engine speed is a local-linear fit (`dynostats.curves.curve_of`);
    its slope over the neighbours is seconds a rpm. What noise it has goes into the curve of the
    pull, and so into how far pulls repeat.

    Args:
        clock: Shape (pulls, speeds), s; NaN where unknown.
        rpm: Grid speeds, shape (speeds,), evenly spaced.

    Returns:
        Shape (pulls, speeds), rpm/s; NaN where unknown.

    Example:
        >>> sweep_rates(np.array([[0.0, 0.1, 0.2]]), np.array([2000.0, 2050.0, 2100.0]))
        array([[500., 500., 500.]])
    """
    if len(rpm) < 2:
        return np.full_like(clock, np.nan)
    before, after = np.roll(clock, 1, axis=1), np.roll(clock, -1, axis=1)
    before[:, 0], after[:, -1] = np.nan, np.nan
    step = rpm[1] - rpm[0]
    both, left, right = (
        (after - before) / (2.0 * step),
        (clock - before) / step,
        (after - clock) / step,
    )
    slope = np.where(np.isfinite(both), both, np.where(np.isfinite(left), left, right))
    return np.where(slope > 0.0, 1.0 / np.where(slope > 0.0, slope, 1.0), np.nan)


def inertia_torque(inertia_kg_m2: Floats, rates: Floats) -> Floats:
    """Return the torque that accelerates the turning parts, N.m.

    Args:
        inertia_kg_m2: Shape (pulls,), referred to engine speed.
        rates: Shape (pulls, speeds), rpm/s.

    Returns:
        Shape (pulls, speeds).
    """
    return inertia_kg_m2[:, None] * rates * math.pi / 30.0


def warn_sweep_rates(
    own: CurveSet, clock: Floats, *, baseline: str, candidate: str, margin_pct: float
) -> str:
    """Say what a difference in sweep rate between two setups could fake; "" when little.

    Args:
        own: The study's pulls.
        clock: Their clock, shape (pulls, speeds), s.
        baseline: Baseline setup.
        candidate: Candidate setup.
        margin_pct: Smallest change that matters, percent.
    """
    rates = sweep_rates(clock, own.rpm)
    sides = [np.array([name == side for name in own.setup]) for side in (baseline, candidate)]
    if not all(np.isfinite(rates[side]).all(axis=1).any() for side in sides):
        return ""
    first, second = (np.nanmean(rates[side], axis=0) for side in sides)
    torque = np.exp(own.log_torque[sides[0]].mean(axis=0))
    typical = np.array([TYPICAL_INERTIA_KG_M2])
    faked = 100.0 * float(np.mean(inertia_torque(typical, (first - second)[None])[0] / torque))
    if abs(faked) < SMALL_SHARE * margin_pct:
        return ""
    return (
        f"The setups were swept at different rates ({first.mean():.0f} rpm/s and "
        f"{second.mean():.0f} rpm/s for '{baseline}' and '{candidate}'). With a typical inertia of "
        f"{TYPICAL_INERTIA_KG_M2:g} kg.m2 (common practice, no published source) that alone shows "
        f"as {faked:+.2f}%. State `inertia [kg.m2]` in the sheet and it is taken out, or sweep "
        "both alike."
    )
