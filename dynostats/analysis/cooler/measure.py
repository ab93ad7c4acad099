"""Measure a charge cooler from the channels before and behind it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl

from dynostats.analysis.channel_change import Changes, Exponent, Measured
from dynostats.analysis.cooler.finding import METHOD, CoolerFinding
from dynostats.analysis.cooler.heat import measure_heat_soak
from dynostats.analysis.cooler.physics import (
    ZERO_CELSIUS,
    at_flows,
    density_kg_m3,
    effectiveness,
    resistance,
)
from dynostats.analysis.side_channels import SPEED_SCHEMA, SideChannels
from dynostats.arrays import Floats

FLOWS: Final = 21
# Share of the engine's pulls that need not reach an air flow for it to be shown.
MOST: Final = 0.1
_TOO_LITTLE: Final = (
    "the compared pulls share too few speeds at which it means something, or no exponent to value "
    "it by"
)
BEFORE, BEHIND = "compressor_out_pressure", "manifold_pressure"
HOT, COLD, MEDIUM = "compressor_out_temperature", "charge_temperature", "cooler_medium_temperature"
FLOW: Final = "air_flow"
_SIDES: Final = ("baseline", "candidate")


def measure_cooler(
    channels: SideChannels, exponents: Mapping[str, Exponent]
) -> CoolerFinding | None:
    """Measure what lies between compressor and engine, in both setups.

    Args:
        channels: With `COOLER_CHANNELS`, manifold pressure and charge temperature.
        exponents: By name of the cause ("boost", "charge_temperature"); one that is missing leaves
            what it is worth in power out.

    Returns:
        What the channels allow; None where neither pressure nor temperature was read behind the
        compressor in any compared pull.
    """
    if not any(channels.read(channels.values[name]) for name in (BEFORE, HOT)):
        return None
    figures: list[Measured] = []
    cannot: list[str] = []
    for what, needed, measure in _QUANTITIES:
        lacking = channels.lacking(*needed)
        found = () if lacking else measure(channels, exponents)
        figures += found
        if lacking:
            cannot.append(f"{what} cannot be told: {'; '.join(lacking)}.")
        elif not found:
            cannot.append(f"{what} cannot be told: {_TOO_LITTLE}.")
    return CoolerFinding(
        figures=tuple(figures),
        heat_soak=measure_heat_soak(channels),
        curve=_curves(channels),
        by_flow=_by_flow(channels),
        cannot=tuple(cannot),
        method=dict(METHOD),
    )


_Measure = Callable[[SideChannels, Mapping[str, Exponent]], tuple[Measured, ...]]


def _means(channels: SideChannels, values: Floats) -> Changes | None:
    """Return how a quantity's mean over the shared speeds changed."""
    kept = channels.shared(values)
    return channels.changes(values[:, kept].mean(axis=1)[:, None]) if kept.any() else None


def _one(changes: Changes | None, name: str, unit: str) -> tuple[Measured, ...]:
    return () if changes is None else (changes.at(0, name=name, unit=unit),)


def _loss(channels: SideChannels) -> Floats:
    return channels.values[BEFORE] - channels.values[BEHIND]


def _effect(channels: SideChannels) -> Floats:
    read = channels.values
    return effectiveness(read[HOT], read[COLD], read[MEDIUM])


def _density_ratio(channels: SideChannels) -> Floats:
    read = channels.values
    return density_kg_m3(read[BEHIND], read[COLD]) / density_kg_m3(read[BEFORE], read[HOT])


def _measure_loss(channels: SideChannels, _: Mapping[str, Exponent]) -> tuple[Measured, ...]:
    return _one(_means(channels, _loss(channels)), "pressure loss", "kPa")


def _measure_effect(channels: SideChannels, _: Mapping[str, Exponent]) -> tuple[Measured, ...]:
    return _one(_means(channels, _effect(channels)), "effectiveness", "1")


def _measure_density(channels: SideChannels, _: Mapping[str, Exponent]) -> tuple[Measured, ...]:
    return _one(_means(channels, _density_ratio(channels)), "density ratio", "1")


def _measure_resistance(channels: SideChannels, _: Mapping[str, Exponent]) -> tuple[Measured, ...]:
    read = channels.values
    density = (
        density_kg_m3(read[BEHIND], read[COLD]) + density_kg_m3(read[BEFORE], read[HOT])
    ) / 2.0
    loss = _loss(channels)
    kept = channels.shared(loss, density, read[FLOW])
    if not kept.any():
        return ()
    found = resistance(loss[:, kept], read[FLOW][:, kept], density[:, kept])
    logs = np.log(np.where(found > 0.0, found, np.nan))
    changes = channels.changes(logs[:, None])
    name = "flow resistance (loss at equal air flow and density)"
    return () if changes is None else (changes.percent_at(0, name=name),)


def _measure_worth(
    channels: SideChannels, exponents: Mapping[str, Exponent]
) -> tuple[Measured, ...]:
    read = channels.values
    with np.errstate(invalid="ignore", divide="ignore"):
        lost = np.log(read[BEHIND] / read[BEFORE])
    return _worth(channels, exponents, "boost", lost, "power, for the pressure lost")


def _measure_cooling(
    channels: SideChannels, exponents: Mapping[str, Exponent]
) -> tuple[Measured, ...]:
    read = channels.values
    cooled = np.log((read[COLD] + ZERO_CELSIUS) / (read[HOT] + ZERO_CELSIUS))
    return _worth(channels, exponents, "charge_temperature", cooled, "power, for the cooling")


def _worth(
    channels: SideChannels, exponents: Mapping[str, Exponent], cause: str, logs: Floats, name: str
) -> tuple[Measured, ...]:
    kept = channels.shared(logs)
    if cause not in exponents or not kept.any():
        return ()
    means = logs[:, kept].mean(axis=1)
    exponent = exponents[cause]
    changes = channels.changes(np.stack([exponent.value * means, means], axis=1))
    return () if changes is None else (changes.valued(name, exponent, with_sides=True),)


# What is measured, the channels it takes, and how.
_QUANTITIES: Final[tuple[tuple[str, tuple[str, ...], _Measure], ...]] = (
    ("Pressure loss", (BEFORE, BEHIND), _measure_loss),
    ("Flow resistance", (BEFORE, BEHIND, HOT, COLD, FLOW), _measure_resistance),
    ("Effectiveness", (HOT, COLD, MEDIUM), _measure_effect),
    ("Density ratio", (BEFORE, BEHIND, HOT, COLD), _measure_density),
    ("What the pressure loss is worth in power", (BEFORE, BEHIND), _measure_worth),
    ("What the cooling is worth in power", (HOT, COLD), _measure_cooling),
)


def _curves(channels: SideChannels) -> pl.DataFrame:
    wanted = (
        ("pressure_loss_kpa", (BEFORE, BEHIND), _loss),
        ("effectiveness", (HOT, COLD, MEDIUM), _effect),
        ("density_ratio", (BEFORE, BEHIND, HOT, COLD), _density_ratio),
    )
    frames = [
        channels.curve(name, measure(channels))
        for name, needed, measure in wanted
        if channels.has(*needed)
    ]
    return pl.concat(frames) if frames else pl.DataFrame(schema=SPEED_SCHEMA)


def _by_flow(channels: SideChannels) -> pl.DataFrame:
    """Return the pressure loss at the air flows that every compared pull reaches."""
    names = [f"{side}{end}_kpa" for side in _SIDES for end in ("", "_low", "_high")]
    schema = dict.fromkeys(("flow_kg_h", *names, "change_kpa", "low_kpa", "high_kpa"), pl.Float64)
    nothing = pl.DataFrame(schema=schema)
    if not channels.has(BEFORE, BEHIND, FLOW):
        return nothing
    loss, flow = _loss(channels), channels.values[FLOW]
    known = np.isfinite(loss + flow)
    home = np.isin(channels.pulls.engine, [channels.pulls.engine[channels.compared[0]]])
    rows = np.flatnonzero(home & known.any(axis=1))
    together = np.where(known, flow, np.nan)[rows]
    ends = np.nanmin(together, axis=1), np.nanmax(together, axis=1)
    compared = np.isin(rows, channels.compared)
    # Most of the engine's other pulls must reach them too: they tell how far the loss scatters.
    low = max(float(ends[0][compared].max()), float(np.quantile(ends[0], 1.0 - MOST)))
    high = min(float(ends[1][compared].min()), float(np.quantile(ends[1], MOST)))
    if low >= high:
        return nothing
    flows = np.linspace(low, high, FLOWS)
    # The ends are some pull's own: rounding must not leave it out.
    changes = channels.changes(at_flows(loss, flow, np.clip(flows, low, high)))
    if changes is None:
        return nothing
    columns: dict[str, Floats] = {"flow_kg_h": flows}
    for side, mean, pulls in (
        ("baseline", changes.baseline, changes.baseline_pulls),
        ("candidate", changes.candidate, changes.candidate_pulls),
    ):
        half = changes.half(1.0 / pulls)
        columns[f"{side}_kpa"] = mean
        columns[f"{side}_low_kpa"], columns[f"{side}_high_kpa"] = mean - half, mean + half
    columns["change_kpa"] = changes.change
    columns["low_kpa"] = changes.change - changes.change_half
    columns["high_kpa"] = changes.change + changes.change_half
    return pl.DataFrame(columns, schema=schema).fill_nan(None)
