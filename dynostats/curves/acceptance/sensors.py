"""Channels that jump for single samples, or sit at their limit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dynostats.arrays import Flags, Floats, Ints
from dynostats.curves.acceptance.evidence import ROUNDING, Evidence
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
# A sample less the mean of its two neighbours has sqrt(1.5) times the noise of a sample, whatever
# the trend; of normal noise the median is 1 / 1.4826 standard deviations.
NOISE_OF_BEND = 1.4826 / math.sqrt(1.5)
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
    names, places, moving = _watched(pull.samples.names)
    table = pull.samples.values[places, pull.sweep.first_row : pull.sweep.last_row + 1]
    rows = np.arange(pull.sweep.first_row, pull.sweep.last_row + 1)
    if pull.sweep.dropouts:
        used = ~np.isin(rows, pull.sweep.dropouts)
        table, rows = table[:, used], rows[used]
    if len(rows) < LEAST_ROWS:
        return
    # Screens of all channels at once; few pass them, and missing readings always do.
    jumps, at_limit = ~_is_smooth(table), np.zeros(len(table), np.bool_)
    at_limit[moving] = ~_is_free(table[moving])
    for place in np.flatnonzero(jumps | at_limit):
        known = np.isfinite(table[place])
        values = table[place, known]
        if len(values) < LEAST_ROWS:
            continue
        if jumps[place]:
            yield from _check_spikes(names[place], values, rows[known])
        if at_limit[place]:
            yield from _check_limit(names[place], values)


@lru_cache(maxsize=256)
def _watched(names: tuple[str, ...]) -> tuple[tuple[str, ...], Ints, Ints]:
    """Return the channels that are watched, their places, and which of them cannot stand still."""
    places = [place for place, name in enumerate(names) if _family(name) in _WATCHED]
    watched = tuple(names[place] for place in places)
    moving = [place for place, name in enumerate(watched) if _family(name) not in _HOLD]
    return watched, np.array(places, np.intp), np.array(moving, np.intp)


def _is_smooth(table: Floats) -> Flags:
    """Return which channels cannot have a spike, shape (channels,).

    A sample further from the median of its window than the limit is as far from four of the six
    others there, so from both of a pair as far away on either side, so from their mean. The limit
    is never below `SPIKE_SDS` times the noise.

    Args:
        table: Shape (channels, rows); what is missing makes a channel not smooth.
    """
    twice = table + table
    nearest = np.abs(twice[:, 1:-1] - (table[:, :-2] + table[:, 2:]))
    largest = nearest.max(axis=1)
    for reach in range(2, WINDOW // 2 + 1):
        bend = table[:, : -2 * reach] + table[:, 2 * reach :]
        np.subtract(twice[:, reach:-reach], bend, out=bend)
        largest = np.maximum(largest, np.maximum(bend.max(axis=1), -bend.min(axis=1)))
    enough = largest * (1.0 + ROUNDING) / (SPIKE_SDS * NOISE_OF_BEND)
    # The median is as large as more than half of them are.
    above = np.count_nonzero(nearest >= enough[:, None], axis=1)
    return 2 * above > nearest.shape[1] + 1


def _is_free(table: Floats) -> Flags:
    """Return which channels hardly ever read their highest and lowest value, shape (channels,)."""
    ordered = np.sort(table, axis=1)  # what is missing comes last, and equals nothing
    last = LIMIT_ROWS - 1
    return (ordered[:, last] > ordered[:, 0]) & (ordered[:, -1] > ordered[:, -1 - last])


def _family(name: str) -> str:
    return name.rstrip("0123456789").rstrip("_")


def _check_spikes(name: str, values: Floats, rows: Ints) -> Iterator[Finding]:
    half = WINDOW // 2
    inner = values[half:-half]
    usual = np.median(sliding_window_view(values, WINDOW), axis=1)
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

    Where a channel stands still (coarse, or at a limit) it shows no noise.
    """
    bend = np.abs(values[1:-1] - (values[:-2] + values[2:]) / 2.0)
    moving = bend[bend > 0.0]
    noise = NOISE_OF_BEND * float(np.median(moving)) if moving.size else 0.0
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
