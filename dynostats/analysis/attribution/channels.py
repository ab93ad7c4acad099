"""The channels behind the causes: laid out, looked at, and left out with a reason where unfit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.attribution.causes import (
    BOOST,
    TEMPERATURE,
    CauseName,
    pressure_logs,
    temperature_logs,
)
from dynostats.analysis.conditions import lay_channel
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.readings import NOT_LOGGED, SAME, find_faults, least_absolute
from dynostats.arrays import Flags, Floats

MIXTURES = tuple(f"lambda_{number}" for number in range(1, 17))
# Manifold pressure is kept under these names when its reference was not known as it was read.
UNSETTLED: Mapping[str, str] = {
    "manifold_pressure_gauge": "was logged as gauge pressure where the barometer is not known",
    "manifold_pressure_unreferenced": "was logged without saying gauge or absolute",
}
CHANNELS = (BOOST.channel, TEMPERATURE.channel, "lambda", "compressor_out_pressure")

PLAUSIBLE: Mapping[CauseName, tuple[float, float]] = {
    "boost": (0.0, 1000.0),  # kPa absolute
    "charge_temperature": (-40.0, 250.0),  # degC
    "mixture": (0.4, 6.0),  # lambda; above it stands an air-fuel ratio or a voltage
}
WORDS: Mapping[CauseName, str] = {
    "boost": "absolute manifold pressure",
    "charge_temperature": "charge temperature",
    "mixture": "lambda",
}
MENDS: Mapping[CauseName, str] = {
    "boost": "Log manifold pressure in every pull, and name it (and whether it is gauge or "
    "absolute) with --channels where its heading does not say.",
    "charge_temperature": "Log the temperature behind the cooler, or in the intake, in every pull.",
    "mixture": "Log lambda in every pull.",
}
GAUGE_MEND = (
    "Put ambient_pressure into the sheet. For pulls that are stored already: dynostats amend PULL "
    'ambient_pressure=98.6 --why "…" (kPa, as read that day), then dynostats reingest.'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A cause that cannot be told apart, and why.

    Args:
        name: Its name.
        why: What is wrong with its channel.
        mend: What would mend it.
    """

    name: CauseName
    why: str
    mend: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """One channel of all pulls.

    Args:
        name: The cause it is read for.
        values: In the channel's unit, shape (pulls, speeds); NaN where not read.
        unfit: Why a pull's reading cannot be used; "" where it can, shape (pulls,).
    """

    name: CauseName
    values: Floats
    unfit: Sequence[str]

    @property
    def fit(self) -> Flags:
        """Return which pulls have a reading that can be used, shape (pulls,)."""
        return np.array([not why for why in self.unfit], dtype=np.bool_)

    def logs(self) -> Floats:
        """Return the natural logs that torque is regressed on, shape (pulls, speeds)."""
        if self.name == "charge_temperature":
            return temperature_logs(self.values)
        return pressure_logs(self.values)


def read_channels(
    curves: CurveSet, channels: pl.DataFrame, ambient_kpa: Floats
) -> tuple[Reading, ...]:
    """Lay out and look at the channels behind the causes.

    Args:
        curves: The pulls and speeds.
        channels: One row a pull and grid speed: pull, rpm and channels, stored units; a column of
            `UNSETTLED` is not null where manifold pressure was kept under that name.
        ambient_kpa: Air pressure in the cell at each pull, shape (pulls,); NaN where not read.
    """
    least = least_absolute(ambient_kpa)
    sources: tuple[tuple[CauseName, str], ...] = (
        ("boost", BOOST.channel),
        ("charge_temperature", TEMPERATURE.channel),
        ("mixture", "lambda"),
    )
    read: list[Reading] = []
    for name, channel in sources:
        values = lay_channel(channels, curves, channel)
        if name == "mixture":
            values = _with_cylinders(values, channels, curves)
        unfit = find_faults(
            values, bounds=PLAUSIBLE[name], least_kpa=least if name == "boost" else None
        )
        if name == "boost":
            unfit = _name_unsettled(unfit, channels, curves)
        read.append(Reading(name=name, values=values, unfit=unfit))
    return tuple(read)


def _with_cylinders(values: Floats, channels: pl.DataFrame, curves: CurveSet) -> Floats:
    """Fill lambda with the mean of the cylinders' where the log has only those."""
    named = [name for name in MIXTURES if name in channels.columns]
    bare: Flags = ~np.any(np.isfinite(values), axis=1)
    if not named or not bare.any():
        return values
    stacked = np.stack([lay_channel(channels, curves, name) for name in named])
    known = np.isfinite(stacked)
    count = known.sum(axis=0)
    mean = np.where(known, stacked, 0.0).sum(axis=0) / np.maximum(count, 1)
    return np.where(bare[:, None], np.where(count > 0, mean, np.nan), values)


def _name_unsettled(unfit: list[str], channels: pl.DataFrame, curves: CurveSet) -> list[str]:
    """Say of manifold pressure that was logged, but could not be made absolute, just that."""
    told = list(unfit)
    for channel, why in UNSETTLED.items():
        if channel in channels.columns:
            kept = np.isfinite(lay_channel(channels, curves, channel))
            logged: Flags = np.any(kept, axis=1)
            told = [
                why if known and said == NOT_LOGGED else said
                for known, said in zip(logged.tolist(), told, strict=True)
            ]
    return told


def judge_channel(
    reading: Reading, curves: CurveSet, *, baseline: str, candidate: str
) -> Missing | None:
    """Return why a cause cannot be told apart in a study; None when it can.

    Args:
        reading: Its channel on the study's pulls.
        curves: Those pulls.
        baseline: Baseline setup.
        candidate: Candidate setup.
    """
    words, mend = WORDS[reading.name], MENDS[reading.name]
    by_setup = {
        name: [at for at, setup in enumerate(curves.setup) if setup == name]
        for name in (baseline, candidate)
    }
    unfit = {
        name: [reading.unfit[at] for at in rows]
        for name, rows in by_setup.items()
        if all(reading.unfit[at] for at in rows)
    }
    if unfit:
        whys = sorted({why for every in unfit.values() for why in every})
        if UNSETTLED["manifold_pressure_gauge"] in whys:
            mend = GAUGE_MEND
        where = "no pull" if len(unfit) == 2 else f"no pull of '{next(iter(unfit))}'"
        told = f"{where} has {words} that can be used: it {'; '.join(whys)}"
        return Missing(name=reading.name, why=told, mend=mend)
    rows = [at for own in by_setup.values() for at in own if not reading.unfit[at]]
    own = reading.values[rows]
    if len(rows) > 1 and _never_differs(own):
        told = (
            f"{words} is the same in every pull, to the last digit: it was not measured in each, "
            "or its sensor stood still"
        )
        return Missing(name=reading.name, why=told, mend=mend)
    return None


def _never_differs(values: Floats) -> bool:
    known = np.isfinite(values).all(axis=0)
    shared = values[:, known]
    return bool(shared.size == 0 or np.ptp(shared, axis=0).max() <= SAME * np.abs(shared).max())


def mean_mixture(values: Floats) -> float:
    """Return the mean lambda of some pulls, as the exponent of its mean log."""
    return float(np.exp(np.nanmean(np.log(values))))
