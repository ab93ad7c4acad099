"""Pulls unlike the others of their session: sweep rate, temperature at the start, channels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.acceptance.limits import Limit, find_limit
from dynostats.analysis.acceptance.mount import Mount
from dynostats.arrays import Floats, Ints

# Other pulls needed before their median says what is usual.
LEAST_OTHERS = 2
# Common practice, no published source.
RATE_FLOOR, RATE_DEFAULT = 0.05, 0.10  # share of the session's sweep rate
START_FLOOR_K, START_DEFAULT_K = 4.0, 10.0
START_CHANNELS = ("oil_temperature", "coolant_temperature", "cooler_medium_temperature")
START_SPEEDS = 3  # first grid speeds whose mean is the start
# Channels that later questions need (what explains a difference), and that protect the engine.
NEEDED = (
    *("manifold_pressure", "charge_temperature", "lambda", "fuel_pressure", "oil_pressure"),
    *("compressor_out_pressure", "ignition_advance"),
)
MOST_OF_THEM = 0.8


def check_sweep_rate(mount: Mount, rates: Floats) -> tuple[Limit, list[PullFinding]]:
    """Find pulls swept faster or slower than their session.

    Args:
        mount: The pulls.
        rates: Sweep rate of each, shape (pulls,), rpm/s; NaN where unknown.
    """
    usual = _usual(mount, np.log(np.where(rates > 0, rates, np.nan)))
    away = np.log(np.where(rates > 0, rates, np.nan)) - usual
    limit = find_limit(away[mount.accepted], floor=RATE_FLOOR, default=RATE_DEFAULT)
    found: list[PullFinding] = []
    for row in np.flatnonzero(np.abs(away) > limit.value):
        was = float(np.exp(usual[row]))
        extra = float(rates[row]) - was
        found.append(
            PullFinding(
                pull=mount.names()[row],
                check="sweep_rate",
                severity="doubtful",
                message=f"Engine speed rises at {rates[row]:.0f} rpm/s, in the other pulls of its "
                f"session at {was:.0f} (limit {limit.value:.0%}). Unless torque is corrected for "
                "inertia, a faster sweep reads less: each kg.m2 of rotating inertia takes "
                f"{abs(extra) * np.pi / 30.0:.1f} N.m {'more' if extra > 0 else 'less'} here.",
            )
        )
    return limit, found


def check_start(mount: Mount) -> Iterator[tuple[str, Limit, list[PullFinding]]]:
    """Find pulls that started hotter or colder than their session, channel by channel."""
    for channel in START_CHANNELS:
        if channel not in mount.channels:
            continue
        start = _starts(mount, mount.channels[channel])
        usual = _usual(mount, start)
        away = start - usual
        limit = find_limit(away[mount.accepted], floor=START_FLOOR_K, default=START_DEFAULT_K)
        words = channel.replace("_", " ")
        found = [
            PullFinding(
                pull=mount.names()[row],
                check="start_temperature",
                severity="doubtful",
                message=f"The pull started with {words} at {start[row]:.0f} degC, "
                f"{abs(away[row]):.0f} K {'hotter' if away[row] > 0 else 'colder'} than the other "
                f"pulls of its session (limit {limit.value:.0f} K): friction and charge differ.",
            )
            for row in np.flatnonzero(np.abs(away) > limit.value)
        ]
        yield channel, limit, found


def check_channels(mount: Mount) -> Iterator[PullFinding]:
    """Yield pulls that lack a channel which the others of their session have."""
    has = {
        name: np.isfinite(mount.channels[name]).any(axis=1)
        for name in NEEDED
        if name in mount.channels
    }
    for row, pull in enumerate(mount.names()):
        others = mount.others(row, "session")
        if len(others) < LEAST_OTHERS:
            continue
        lacks = [
            name
            for name, known in has.items()
            if not known[row] and known[others].mean() >= MOST_OF_THEM
        ]
        if lacks:
            yield PullFinding(
                pull=pull,
                check="channel_missing",
                severity="doubtful",
                message=f"The other pulls of its session have {', '.join(lacks)}; this one does "
                "not: a plug or a logger setting. Torque can be compared, what explains it cannot.",
            )


def _usual(mount: Mount, values: Floats) -> Floats:
    """Return the median of the other pulls of each pull's session, NaN where too few are known."""
    usual = np.full(len(values), np.nan)
    for row in range(len(values)):
        others = values[mount.others(row, "session")]
        others = others[np.isfinite(others)]
        if others.size >= LEAST_OTHERS:
            usual[row] = np.median(others)
    return usual


def _starts(mount: Mount, table: Floats) -> Floats:
    """Return the mean at the first speeds that most pulls cover, NaN where one of them is missing."""
    usual = np.flatnonzero(mount.covered().mean(axis=0) >= MOST_OF_THEM)
    columns: Ints = usual[:START_SPEEDS]
    if not columns.size:
        return np.full(len(table), np.nan)
    return table[:, columns].mean(axis=1)
