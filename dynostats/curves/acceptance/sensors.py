"""Channels that jump for single samples, or sit at their limit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dynostats.arrays import Flags, Floats, Ints
from dynostats.curves.acceptance.evidence import Evidence
from dynostats.ingest import Finding

# Families of channels that move smoothly in a pull; power follows from torque and speed.
_WATCHED = frozenset(
    {
        *("engine_speed", "torque", "manifold_pressure", "compressor_out_pressure", "air_flow"),
        *("compressor_out_temperature", "charge_temperature", "cooler_medium_temperature"),
        *("lambda", "exhaust_temperature", "fuel_flow", "fuel_pressure", "oil_pressure"),
        *("oil_temperature", "coolant_temperature"),
    }
)
# Those that stand still for a pull without being stuck.
_HOLD = frozenset(
    {
        *("engine_speed", "cooler_medium_temperature", "fuel_pressure", "oil_pressure"),
        *("oil_temperature", "coolant_temperature"),
    }
)
WINDOW = 7  # rows of the running median: up to three bad ones in a row stand out
JUMPY_TIMES = 5.0
SPIKE_SDS = 8.0  # normal noise passes it once in 10^15 samples
SPIKE_RANGE_SHARE = 0.04
SPIKE_LEVEL_SHARE = 0.01
LEAST_ROWS = 20
# A limit is a highest or lowest value that comes far more often than any other value.
LIMIT_ROWS = 6
LIMIT_SHARE = 0.03
LIMIT_TIMES = 4
STUCK_ROWS = 10  # equal in a row: the reader of the file has told of it


def check_sensors(pull: Evidence) -> Iterator[Finding]:
    """Yield channels with spikes and channels at their limit, within the pull."""
    names = [name for name in pull.samples.columns if _family(name) in _WATCHED]
    rows = np.arange(pull.sweep.first_row, pull.sweep.last_row + 1)
    rows = rows[~np.isin(rows, pull.sweep.dropouts)]
    if len(rows) < LEAST_ROWS:
        return
    table = pull.samples.select(names).to_numpy()[rows].astype(np.float64, copy=False)
    bend = np.abs(table[1:-1] - (table[:-2] + table[2:]) / 2.0)
    # A screen of all channels at once; few pass it, and missing readings always do.
    jumpy = ~(np.max(bend, axis=0) <= JUMPY_TIMES * np.median(bend, axis=0))
    topped = [
        np.sum(table == ends(table, axis=0), axis=0) >= LIMIT_ROWS for ends in (np.max, np.min)
    ]
    for place, name in enumerate(names):
        known = np.isfinite(table[:, place])
        values = table[known, place]
        if len(values) < LEAST_ROWS:
            continue
        if jumpy[place]:
            yield from _check_spikes(name, values, rows[known])
        if _family(name) not in _HOLD and (not known.all() or topped[0][place] or topped[1][place]):
            yield from _check_limit(name, values)


def _family(name: str) -> str:
    return name.rstrip("0123456789").rstrip("_")


def _check_spikes(name: str, values: Floats, rows: Ints) -> Iterator[Finding]:
    half = WINDOW // 2
    inner = values[half:-half]
    usual = np.median(np.lib.stride_tricks.sliding_window_view(values, WINDOW), axis=1)
    hit = np.flatnonzero(np.abs(inner - usual) > _spike_limit(values))
    if not hit.size:
        return
    largest = int(hit[np.abs(inner - usual)[hit].argmax()])
    yield Finding(
        check="spiked",
        severity="doubtful",
        message=f"{name} jumps in {len(hit)} sample(s), first in row {rows[hit[0] + half] + 1}; "
        f"the largest reads {inner[largest]:.4g} where its neighbours read {usual[largest]:.4g}.",
    )


def _spike_limit(values: Floats) -> float:
    """Return how far a sample may lie from the median of its neighbours.

    A sample less the mean of its two neighbours has sqrt(1.5) times the noise of a sample,
    whatever the trend. Where a channel stands still (coarse, or at a limit) it shows no noise.
    """
    bend = np.abs(values[1:-1] - (values[:-2] + values[2:]) / 2.0)
    moving = bend[bend > 0.0]
    noise = 1.4826 * float(np.median(moving)) / np.sqrt(1.5) if moving.size else 0.0
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    steps = np.abs(np.diff(values))
    resolution = float(steps[steps > 0].min()) if (steps > 0).any() else 0.0
    return max(
        SPIKE_SDS * max(noise, resolution / 2.0),
        SPIKE_RANGE_SHARE * float(high - low),
        SPIKE_LEVEL_SHARE * abs(float(middle)),
    )


def _check_limit(name: str, values: Floats) -> Iterator[Finding]:
    levels, counts = np.unique(values, return_counts=True)
    if len(levels) < 3:
        return
    for place, word in ((-1, "highest"), (0, "lowest")):
        others = np.delete(counts, place)
        often = counts[place]
        least = max(LIMIT_ROWS, LIMIT_SHARE * len(values), LIMIT_TIMES * others.max())
        if often >= least and _longest_run(values == levels[place]) < STUCK_ROWS:
            yield Finding(
                check="saturated",
                severity="doubtful",
                message=f"{name} reads its {word} value, {levels[place]:.4g}, in {often} of "
                f"{len(values)} samples: the sensor or its input was at its limit.",
            )


def _longest_run(same: Flags) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], same.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max(initial=0))
