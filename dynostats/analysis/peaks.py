"""Peak power and torque of a setup with intervals: never the primary question.

Source: parametric bootstrap of the maximum with bias correction, Davison & Hinkley (1997),
Bootstrap Methods and Their Application, ch. 2 and 5.2 (basic interval).
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from dynostats.analysis.comparison import Peak
from dynostats.analysis.noise import NoiseModel, pooled_variance
from dynostats.arrays import Floats
from dynostats.units import power_kw

DRAWS = 2_000


def find_peaks(
    setup: str, log_torque: Floats, pulls: int, noise: NoiseModel, *, alpha: float, seed: int
) -> tuple[Peak, ...]:
    """Return the peak power and the peak torque of a setup's mean curve.

    Args:
        setup: Its name.
        log_torque: Mean log-torque curve, shape (speeds,).
        pulls: Number of pulls behind the mean.
        noise: The learned noise, on the same grid; with a pull layer.
        alpha: One minus the level of the intervals.
        seed: Seed of the simulation.
    """
    rng = np.random.default_rng(seed)
    errors = _errors(noise, pulls, rng)
    torque = np.exp(log_torque)
    curves = {"torque": torque, "power": power_kw(torque, noise.rpm)}
    return tuple(
        _peak(setup, quantity, curves[quantity], noise.rpm, errors, alpha=alpha)
        for quantity in ("power", "torque")
    )


def _errors(noise: NoiseModel, pulls: int, rng: np.random.Generator) -> Floats:
    """Draw errors of a mean curve, shape (draws, speeds), wider where the variance is uncertain."""
    variance = pooled_variance(noise)
    layer = noise.pull if noise.pull is not None else noise.own
    if variance is None or layer is None:
        msg = "peaks need a pull layer of noise"
        raise ValueError(msg)
    size, basis = np.linalg.eigh(layer.correlation)
    root = basis * np.sqrt(np.clip(size, 0.0, None))
    df = sum(part.df for part in (noise.pull, noise.own) if part is not None)
    drawn = rng.standard_normal((DRAWS, len(variance))) @ root.T * np.sqrt(variance / pulls)
    return drawn * np.sqrt(df / chi2.rvs(df, size=(DRAWS, 1), random_state=rng))


def _peak(
    setup: str, quantity: str, curve: Floats, rpm: Floats, errors: Floats, *, alpha: float
) -> Peak:
    drawn = curve * np.exp(errors)
    at = int(curve.argmax())
    highest = drawn.max(axis=1)
    places = rpm[drawn.argmax(axis=1)]
    value = 2.0 * float(curve[at]) - float(highest.mean())
    tails = [alpha / 2.0, 1.0 - alpha / 2.0]
    low, high = np.quantile(highest, tails)
    first, last = np.quantile(places, tails)
    return Peak(
        setup=setup,
        quantity=quantity,
        value=value,
        low=2.0 * float(curve[at]) - float(high),
        high=2.0 * float(curve[at]) - float(low),
        rpm=float(rpm[at]),
        rpm_low=float(first),
        rpm_high=float(last),
        at_edge=at in {0, len(rpm) - 1},
    )
