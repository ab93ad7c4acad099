"""Which channels an envelope watches: what protects the engine, and which side of it is danger.

Limits and danger sides: common practice, no published source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from dynostats.arrays import Floats

_KELVIN = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One channel that an envelope watches.

    Args:
        channel: Stored name.
        words: What it is called in a sentence.
        unit: Unit it is stored and shown in.
        danger: Side that endangers the engine: "above" or "below".
        why: What that side does, and what to do first.
        widest: Half-width beyond which a band tells nothing: a share of the mean, or K for a
            temperature.
        narrowest: Half-width below which a band would tell of the sensor, not of the engine;
            likewise.
        needed: Whether a log without it leaves the answer open, where the pulls have it.
    """

    channel: str
    words: str
    unit: str
    danger: str
    why: str
    widest: float
    narrowest: float
    needed: bool

    @property
    def thermal(self) -> bool:
        """Tell whether it is a temperature, degC."""
        return self.unit == "degC"

    @property
    def lags(self) -> bool:
        """Tell whether its sensor follows seconds late: a thermocouple in the exhaust."""
        return self.channel.startswith("exhaust_temperature")

    def to_log(self, values: Floats) -> Floats:
        """Return values on the log scale the noise is learned on; NaN where there is no log.

        Noise of a pressure or a mixture is nearly proportional; of a temperature it is taken
        relative to the absolute temperature, which over the range of one channel is the same.
        """
        absolute = values + (_KELVIN if self.thermal else 0.0)
        return np.log(np.where(absolute > 0.0, absolute, np.nan))

    def to_unit(self, logs: Floats) -> Floats:
        """Return values in the channel's unit."""
        return np.exp(logs) - (_KELVIN if self.thermal else 0.0)

    def least_half_width(self, mean: Floats) -> Floats:
        """Return the narrowest half-width on the log scale, at means on that scale."""
        if not self.thermal:
            return np.full_like(mean, self.narrowest)
        return self.narrowest / np.exp(mean)

    def is_too_wide(self, mean: Floats, low: Floats, high: Floats) -> Floats:
        """Return 1 where the half-width tells nothing, shape (speeds,), all in the unit."""
        allowed = self.widest if self.thermal else self.widest * np.abs(mean)
        return ((high - low) / 2.0 > allowed).astype(np.float64)


_LEAN = (
    "A mixture leaner than in any accepted pull can knock and melt pistons and valves: do not go "
    "on under load; let someone qualified find the reason first."
)
_BOOST = (
    "More boost than in any accepted pull loads and heats the engine beyond what was tried: do not "
    "go on under load; let someone qualified check the boost control first."
)
_FUEL = (
    "Less fuel pressure than in any accepted pull makes the mixture lean under load: stop, and let "
    "someone qualified check tank, pump, filter and regulator; leaking fuel near a hot engine is "
    "a fire risk."
)
_OIL = (
    "Less oil pressure than in any accepted pull: bearings fail within seconds without it. Stop "
    "the engine, and let someone qualified check level, pick-up, pump and the gauge."
)
_HEAT = (
    "Hotter than in any accepted pull: charge that hot knocks sooner. Do not go on under load; let "
    "it cool, and check cooler, ducts and fan."
)
_EXHAUST = (
    "Hotter exhaust than in any accepted pull can melt valves, pistons and turbine: do not go on "
    "under load; let someone qualified check mixture, ignition and the cylinder concerned."
)
_FLUID = (
    "Hotter than in any accepted pull: let it cool before the next run, and check level, flow and "
    "fan."
)

_CORE = (
    Watched(
        channel="manifold_pressure",
        words="boost (manifold pressure, absolute)",
        unit="kPa",
        danger="above",
        why=_BOOST,
        widest=0.08,
        narrowest=0.005,
        needed=True,
    ),
    Watched(
        channel="lambda",
        words="mixture (lambda)",
        unit="1",
        danger="above",
        why=_LEAN,
        widest=0.05,
        narrowest=0.005,
        needed=True,
    ),
    Watched(
        channel="fuel_pressure",
        words="fuel pressure",
        unit="kPa",
        danger="below",
        why=_FUEL,
        widest=0.10,
        narrowest=0.01,
        needed=True,
    ),
    Watched(
        channel="oil_pressure",
        words="oil pressure",
        unit="kPa",
        danger="below",
        why=_OIL,
        widest=0.20,
        narrowest=0.02,
        needed=True,
    ),
    Watched(
        channel="charge_temperature",
        words="charge temperature",
        unit="degC",
        danger="above",
        why=_HEAT,
        widest=15.0,
        narrowest=1.0,
        needed=True,
    ),
    Watched(
        channel="oil_temperature",
        words="oil temperature",
        unit="degC",
        danger="above",
        why=_FLUID,
        widest=20.0,
        narrowest=1.0,
        needed=False,
    ),
    Watched(
        channel="coolant_temperature",
        words="coolant temperature",
        unit="degC",
        danger="above",
        why=_FLUID,
        widest=20.0,
        narrowest=1.0,
        needed=False,
    ),
)
CYLINDERS = range(1, 17)
# Every channel that may be watched, in the order of the answer.
CHANNELS = (
    *(one.channel for one in _CORE),
    *(f"lambda_{number}" for number in CYLINDERS),
    *(f"exhaust_temperature_{number}" for number in CYLINDERS),
)
# What tells how much load the engine is under.
LOAD_CHANNELS = ("time", "throttle", "torque", "manifold_pressure")


def watch(channel: str) -> Watched:
    """Return how a channel of `CHANNELS` is watched."""
    for one in _CORE:
        if one.channel == channel:
            return one
    kind, number = re.fullmatch(r"(\w+)_(\d+)", channel).groups()  # pyright: ignore[reportOptionalMemberAccess]
    if kind == "lambda":
        return Watched(
            channel=channel,
            words=f"mixture of cylinder or bank {number} (lambda)",
            unit="1",
            danger="above",
            why=_LEAN,
            widest=0.05,
            narrowest=0.005,
            needed=False,
        )
    return Watched(
        channel=channel,
        words=f"exhaust temperature {number}",
        unit="degC",
        danger="above",
        why=_EXHAUST,
        widest=60.0,
        narrowest=5.0,
        needed=False,
    )


def watched_in(channels: Iterable[str]) -> tuple[Watched, ...]:
    """Return how the watched ones among some channels are watched, in the order of the answer.

    Where the mixture is known by bank or cylinder only, those are what is needed.
    """
    there = set(channels)
    found = (watch(name) for name in CHANNELS if name in there)
    return tuple(
        replace(one, needed=True)
        if one.channel.startswith("lambda_") and "lambda" not in there
        else one
        for one in found
    )
