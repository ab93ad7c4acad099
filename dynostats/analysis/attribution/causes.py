"""What a difference in torque can be put down to, and what physics says of each exponent.

Log torque is taken to follow the log of each cause with an exponent: percent of torque per percent
of absolute manifold pressure, of absolute charge temperature, of lambda. Where the pulls cannot
tell an exponent, its prior stands in, and the answer says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from dynostats.arrays import Floats

CauseName = Literal["boost", "charge_temperature", "mixture"]

# Lambda of most torque at a given air flow, and how far it may lie off. Source: Heywood (1988),
# Internal Combustion Engine Fundamentals, sec. 7.1: equivalence ratio about 1.1 (from memory).
BEST_LAMBDA: Final = 0.90
BEST_LAMBDA_SD: Final = 0.03
# Leaner than this at full load, an engine is taken to be governed by its fuel (a diesel): no
# spark-ignition engine makes full power there. Common practice, no published source.
LEAN_LAMBDA: Final = 1.15
# Boost that the compressor makes costs back pressure, boost that the plumbing keeps does not. Back
# pressure rises about as much as boost, and mean effective pressure is about ten times manifold
# pressure: so up to a tenth in the exponent lies between them. Own estimate, no published source.
PLUMBING_SD: Final = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is assumed of a coefficient where the pulls cannot tell.

    Args:
        mean: Percent of torque per percent of the cause.
        sd: How far it may lie off, one standard deviation.
        source: Where the numbers come from.
    """

    mean: float
    sd: float
    source: str

    def bounds(self) -> tuple[float, float]:
        """Return the range that holds 95% of the prior."""
        return self.mean - 1.96 * self.sd, self.mean + 1.96 * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause.

    Args:
        name: Its name in the answer.
        channel: Stored channel it is read from.
        words: What it is called in a sentence.
        prior: Of its exponent, at the study's own mean.
        bend: Prior of the coefficient of the squared log departure from that mean; None where the
            exponent is the same everywhere.
        tilt_sd: How far the exponent may differ between the middle of the band and its ends, one
            standard deviation; a stated allowance, not estimated.
    """

    name: CauseName
    channel: str
    words: str
    prior: Prior
    bend: Prior | None = None
    tilt_sd: float = 0.0


BOOST: Final = Cause(
    name="boost",
    channel="manifold_pressure",
    words="absolute manifold pressure",
    prior=Prior(
        mean=1.15,
        sd=0.15,
        source="1 by the density of an ideal gas, p / (R T); 1.2 in the factor for spark-ignition "
        "engines of ISO 1585 and UN R85, (99 / p)^1.2; above 1 because friction takes the same "
        "from more torque (Heywood 1988, sec. 13.2, from memory). The SD is ours",
    ),
    tilt_sd=0.05,
)
TEMPERATURE: Final = Cause(
    name="charge_temperature",
    channel="charge_temperature",
    words="absolute charge temperature",
    prior=Prior(
        mean=-0.70,
        sd=0.15,
        source="-1 by the density of an ideal gas, p / (R T); -0.5 in SAE J1349 and for flow "
        "through a valve (Heywood 1988, sec. 6.2, from memory); -0.6 in ISO 1585 and UN R85. The "
        "SD is ours: it spans them",
    ),
    tilt_sd=0.02,
)


def mixture_cause(mean_lambda: float) -> Cause:
    """Return the cause mixture, with its prior at a mean lambda.

    Rich of `LEAN_LAMBDA` torque at equal air is a parabola about the best mixture; the exponent at
    the mean is its slope there. Leaner, an engine is governed by its fuel, and torque at equal air
    falls nearly as fuel does.
    """
    if mean_lambda > LEAN_LAMBDA:
        prior = Prior(
            mean=-0.80,
            sd=0.20,
            source="-1 for fuel at equal air, less what the efficiency gains with more air "
            "(Heywood 1988, fig. 15-8, from memory). The SD is ours",
        )
        return Cause(name="mixture", channel="lambda", words="lambda", prior=prior)
    # 3% down at lambda 0.80 and 1.00: -3 (lambda - 0.9)^2 is -2.43 log(lambda / 0.9)^2.
    bend = Prior(
        mean=-2.43,
        sd=1.2,
        source="about 3% less torque at lambda 0.80 and 1.00 than at 0.90 (Heywood 1988, sec. 7.1 "
        "and fig. 9-9, from memory). The SD is ours",
    )
    away = float(np.log(mean_lambda / BEST_LAMBDA))
    slope_sd = 2.0 * abs(bend.mean) * BEST_LAMBDA_SD / BEST_LAMBDA
    prior = Prior(
        mean=2.0 * bend.mean * away,
        sd=float(np.hypot(slope_sd, 2.0 * away * bend.sd)),
        source=f"slope at lambda {mean_lambda:.2f} of the parabola of torque about its best "
        f"mixture, lambda {BEST_LAMBDA:g} ± {BEST_LAMBDA_SD:g}: {bend.source}",
    )
    return Cause(name="mixture", channel="lambda", words="lambda", prior=prior, bend=bend)


def pressure_logs(pressure_kpa: Floats) -> Floats:
    """Return the natural log of absolute pressure; NaN where it is not above zero."""
    return np.log(np.where(pressure_kpa > 0.0, pressure_kpa, np.nan))


def temperature_logs(temperature_c: Floats) -> Floats:
    """Return the natural log of the absolute temperature, K; NaN at or below absolute zero."""
    kelvin = temperature_c + 273.15
    return np.log(np.where(kelvin > 0.0, kelvin, np.nan))
