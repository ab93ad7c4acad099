"""What marks a setup in a pull's channels: a few numbers a pull, the same for every pull.

Each channel gives two: its mean over engine speed, and how much more it reads in the upper half of
the speeds than in the lower. What only the weather changes is taken out where it was measured.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.acceptance.mount import Mount
from dynostats.arrays import Flags, Floats

# A channel marks setups when this share of the engine's accepted pulls have it.
MOST_OF_THEM = 0.8
# A pull must cover this share of the speeds that most pulls cover.
COVERS_SHARE = 0.9
LEAST_SPEEDS = 8
# What comparisons ask about.
OUTCOME = "torque"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signatures:
    """The numbers that mark setups, for the pulls of one engine on one dyno.

    Args:
        names: Quantities, two columns of `values` each.
        units: Unit of each quantity.
        resolution: Smallest noise SD believed, a quantity, in its unit.
        values: Shape (pulls, 2 * quantities): mean, then upper less lower half, quantity by
            quantity; NaN rows where a pull lacks one.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    resolution: Floats
    values: Floats

    def whole(self) -> Flags:
        """Return which pulls have every number, shape (pulls,)."""
        return np.all(np.isfinite(self.values), axis=1)

    def without(self, name: str) -> Signatures:
        """Return the signatures without one quantity."""
        kept = [place for place, other in enumerate(self.names) if other != name]
        columns = [2 * place + part for place in kept for part in (0, 1)]
        return Signatures(
            names=tuple(self.names[place] for place in kept),
            units=tuple(self.units[place] for place in kept),
            resolution=self.resolution[kept],
            values=self.values[:, columns],
        )


def read_signatures(mount: Mount) -> Signatures:
    """Reduce the curves of a mount to what marks setups."""
    found: list[tuple[str, str, float, Floats]] = []
    columns = _common_speeds(mount)
    if columns.sum() >= LEAST_SPEEDS:
        for name, unit, resolution, take in _MARKERS:
            table = take(mount)
            if table is None:
                continue
            values = _reduce(table[:, columns], mount.accepted)
            if np.isfinite(values[mount.accepted]).all(axis=1).mean() >= MOST_OF_THEM:
                found.append((name, unit, resolution, values))
    empty = np.zeros((mount.pulls.height, 0))
    return Signatures(
        names=tuple(name for name, *_ in found),
        units=tuple(unit for _, unit, *_ in found),
        resolution=np.array([resolution for *_, resolution, _ in found]),
        values=np.hstack([empty, *(values for *_, values in found)]),
    )


def _common_speeds(mount: Mount) -> Flags:
    """Return the grid speeds that most accepted pulls cover, without the ragged ends."""
    if not mount.accepted.any():
        return np.zeros(len(mount.rpm), dtype=np.bool_)
    common = mount.covered()[mount.accepted].mean(axis=0) >= MOST_OF_THEM
    at = np.flatnonzero(common)
    common[at[:2]] = common[at[-2:]] = False
    return common


def _reduce(table: Floats, accepted: Flags) -> Floats:
    """Return the mean and upper less lower half of each pull; where a pull has no value, as usual.

    A channel rises or falls with speed: the mean of what a pull covers would differ from the
    others' for nothing but the speeds that it lacks.
    """
    known = np.isfinite(table)
    enough = known.mean(axis=1) >= COVERS_SHARE
    values = np.full((len(table), 2), np.nan)
    if not enough.any():
        return values
    # Where no pull that covers enough has a value, nobody lacks it.
    table = table[:, known[enough].any(axis=0)]
    half = table.shape[1] // 2
    # From whole pulls where there are some: the same ones at every speed.
    whole = accepted & np.isfinite(table).all(axis=1)
    usual = np.nanmedian(table[whole if whole.any() else enough], axis=0)
    own = table[enough] - usual
    lower, upper = (
        np.nanmean(own[:, part], axis=1) + np.nanmean(usual[part])
        for part in (slice(None, half), slice(half, None))
    )
    values[enough, 0], values[enough, 1] = (lower + upper) / 2.0, upper - lower
    return values


def _ambient(mount: Mount, column: str, channel: str) -> Floats | None:
    """Return the air of each pull, shape (pulls, 1); None where most pulls do not state it."""
    stated = mount.pulls[column].cast(pl.Float64).fill_null(np.nan).to_numpy().copy()
    if channel in mount.channels:
        table = mount.channels[channel]
        own = np.isnan(stated) & np.isfinite(table).any(axis=1)
        stated[own] = np.nanmean(table[own], axis=1)
    return stated[:, None] if np.isfinite(stated).mean() >= MOST_OF_THEM else None


def _cooler_loss(mount: Mount) -> Floats | None:
    before = mount.channels.get("compressor_out_pressure")
    behind = mount.channels.get("manifold_pressure")
    return None if before is None or behind is None else before - behind


def _charge_rise(mount: Mount) -> Floats | None:
    charge = mount.channels.get("charge_temperature")
    if charge is None:
        return None
    medium = mount.channels.get("cooler_medium_temperature")
    if medium is not None and np.isfinite(medium).any(axis=1).mean() >= MOST_OF_THEM:
        return charge - medium
    air = _ambient(mount, "ambient_temperature_c", "ambient_temperature")
    return charge if air is None else charge - air


def _boost(mount: Mount) -> Floats | None:
    manifold = mount.channels.get("manifold_pressure")
    if manifold is None:
        return None
    air = _ambient(mount, "ambient_pressure_kpa", "ambient_pressure")
    return manifold if air is None else manifold - air


def _mixture(mount: Mount) -> Floats | None:
    if "lambda" in mount.channels:
        return mount.channels["lambda"]
    each = [table for name, table in mount.channels.items() if re.fullmatch(r"lambda_\d+", name)]
    return np.mean(each, axis=0) if each else None


def _ignition(mount: Mount) -> Floats | None:
    return mount.channels.get("ignition_advance")


def _torque(mount: Mount) -> Floats | None:
    torque = mount.channels.get("torque")
    return None if torque is None else 100.0 * np.log(np.where(torque > 0.0, torque, np.nan))


# Name, unit, smallest noise of a pull's mean that is believed: copies of one log have none.
_MARKERS: tuple[tuple[str, str, float, Callable[[Mount], Floats | None]], ...] = (
    ("pressure loss across the cooler", "kPa", 0.01, _cooler_loss),
    ("charge temperature rise", "K", 0.02, _charge_rise),
    ("boost", "kPa", 0.01, _boost),
    ("mixture", "lambda", 0.0001, _mixture),
    ("ignition advance", "deg", 0.003, _ignition),
    (OUTCOME, "%", 0.01, _torque),
)
