"""Pressures and cylinders against the engine's own usual, over engine speed.

A pump, a filter or an injector that fails gives itself away before it breaks anything, by standing
off its own past. It is a danger to the engine first and a matter of statistics second.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.acceptance.limits import LEAST_DEPARTURES, Limit, find_limit
from dynostats.analysis.acceptance.mount import Mount
from dynostats.arrays import Floats
from dynostats.curves.acceptance.danger import CYLINDER_DANGER, FUEL_DANGER, OIL_DANGER

# Pulls of the same kind that say what is usual.
LEAST_OTHERS = 4
BANDS = 4
# Smallest departures that are told, and the limits where history is short; common practice, no
# published source.
FUEL_FLOOR, OIL_FLOOR = 0.04, 0.10  # share of the usual pressure
LAMBDA_FLOOR, EXHAUST_FLOOR_K = 0.02, 25.0  # against the mean of all cylinders


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    """A quantity with a usual course over speed.

    Args:
        check: Name of the check.
        words: What it is called in a sentence.
        unit: Unit of the departure; "%" is kept as a share.
        values: Shape (pulls, speeds).
        relative: True when a departure is a share of the usual value.
        labels: Labels that pulls must share to be compared.
        floor: Smallest departure told.
        side: -1 when only a fall matters, 1 when only a rise does.
        danger: The warning that goes with it.
    """

    check: str
    words: str
    unit: str
    values: Floats
    relative: bool
    labels: tuple[str, ...]
    floor: float
    side: int
    danger: str


def check_engine(mount: Mount) -> Iterator[tuple[str, Limit, list[PullFinding]]]:
    """Yield what stands off its past, with the limit used, quantity by quantity."""
    for reading in (*_pressures(mount), *_cylinders(mount)):
        away = _departures(mount, reading)
        known = away[mount.accepted]
        if np.isfinite(known).sum() < LEAST_DEPARTURES:
            continue
        limit = find_limit(known, floor=reading.floor, default=reading.floor)
        worst = np.where(np.isfinite(away), reading.side * away, -np.inf)
        found = [
            _tell(mount, reading, limit, int(row), worst[row])
            for row in np.flatnonzero(worst.max(axis=1) > limit.value)
        ]
        yield reading.words, limit, found


def _pressures(mount: Mount) -> Iterator[_Reading]:
    if "fuel_pressure" in mount.channels:
        yield _Reading(
            check="fuel_pressure_unusual",
            words="fuel pressure",
            unit="%",
            values=mount.channels["fuel_pressure"],
            relative=True,
            labels=("setup",),  # a regulator that follows boost follows the setup
            floor=FUEL_FLOOR,
            side=-1,
            danger=FUEL_DANGER,
        )
    if "oil_pressure" in mount.channels:
        yield _Reading(
            check="oil_pressure_unusual",
            words="oil pressure",
            unit="%",
            values=mount.channels["oil_pressure"],
            relative=True,
            labels=("setup",),
            floor=OIL_FLOOR,
            side=-1,
            danger=OIL_DANGER,
        )


def _cylinders(mount: Mount) -> Iterator[_Reading]:
    """Yield each cylinder less the mean of all: what they share is the setup's, not a fault."""
    for channel, unit, floor in (
        ("lambda", "lambda", LAMBDA_FLOOR),
        ("exhaust_temperature", "K", EXHAUST_FLOOR_K),
    ):
        names = [name for name in mount.channels if re.fullmatch(rf"{channel}_\d+", name)]
        if len(names) < 2:
            continue
        mean = np.mean([mount.channels[name] for name in names], axis=0)
        for name in names:
            yield _Reading(
                check="cylinder_unusual",
                words=f"{name.replace('_', ' ')} against the mean of the cylinders",
                unit=unit,
                values=mount.channels[name] - mean,
                relative=False,
                labels=(),
                floor=floor,
                side=1,
                danger=CYLINDER_DANGER,
            )


def _departures(mount: Mount, reading: _Reading) -> Floats:
    """Return how far each pull stands off the median of its like, shape (pulls, bands)."""
    usual = mount.usual(reading.values, *reading.labels, least=LEAST_OTHERS)
    own = reading.values - usual
    own = own / usual if reading.relative else own
    away = np.full((len(own), BANDS), np.nan)
    for band, columns in enumerate(np.array_split(np.arange(len(mount.rpm)), BANDS)):
        known = np.isfinite(own[:, columns])
        enough = known.sum(axis=1) > len(columns) / 2
        away[enough, band] = np.nanmean(own[np.ix_(enough, columns)], axis=1)
    return away


def _tell(mount: Mount, reading: _Reading, limit: Limit, row: int, away: Floats) -> PullFinding:
    band = int(away.argmax())
    size = float(away[band])
    columns = np.array_split(mount.rpm, BANDS)[band]
    word = "above" if reading.side > 0 else "below"
    shown, allowed = (
        (f"{size:.0%}", f"{limit.value:.0%}")
        if reading.relative
        else (f"{size:.3g} {reading.unit}", f"{limit.value:.3g} {reading.unit}")
    )
    return PullFinding(
        pull=mount.names()[row],
        check=reading.check,
        severity="doubtful",
        message=f"{reading.danger} From {columns[0]:.0f} to {columns[-1]:.0f} rpm {reading.words} "
        f"is {shown} {word} what it usually is on this engine (limit {allowed}).",
        danger=True,
    )
