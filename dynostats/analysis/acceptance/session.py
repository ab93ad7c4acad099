"""Pulls unlike the others of their session: sweep rate, temperature at the start, channels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

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
    logs = np.log(np.where(rates > 0, rates, np.nan))
    usual = mount.usual(logs, "session", least=LEAST_OTHERS)
    away = logs - usual
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
        level = start - _slope(mount, start) * _order(mount)
        away = level - mount.usual(level, "session", least=LEAST_OTHERS)
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
    names = [name for name in NEEDED if name in mount.channels]
    has = np.array([np.isfinite(mount.channels[name]).any(axis=1) for name in names]).T
    for rows in mount.groups("session"):
        for row in rows:
            others = rows[(rows != row) & mount.accepted[rows]]
            if len(others) < LEAST_OTHERS or not names:
                continue
            missing = ~has[row] & (has[others].mean(axis=0) >= MOST_OF_THEM)
            if missing.any():
                lacks = ", ".join(np.array(names)[missing])
                yield PullFinding(
                    pull=mount.names()[row],
                    check="channel_missing",
                    severity="doubtful",
                    message=f"The other pulls of its session have {lacks}; this one does not: a "
                    "plug or a logger setting. Torque can be compared, what explains it cannot.",
                )


def _starts(mount: Mount, table: Floats) -> Floats:
    """Return the mean at the first speeds that most pulls cover, NaN where one is missing."""
    usual = np.flatnonzero(mount.covered().mean(axis=0) >= MOST_OF_THEM)
    columns: Ints = usual[:START_SPEEDS]
    if not columns.size:
        return np.full(len(table), np.nan)
    return table[:, columns].mean(axis=1)


def _order(mount: Mount) -> Floats:
    """Return the run order, 0 throughout where it is not known of every pull."""
    order = mount.pulls["order"].cast(pl.Float64)
    return np.zeros(len(order)) if order.null_count() else order.to_numpy()


def _slope(mount: Mount, start: Floats) -> float:
    """Return how much warmer engines start from pull to pull of a session.

    Source: median of the slopes of all pairs, Sen (1968), JASA 63:1379.
    """
    order = _order(mount)
    slopes: list[float] = []
    for rows in mount.groups("session"):
        rise = start[rows][:, None] - start[rows][None, :]
        steps = order[rows][:, None] - order[rows][None, :]
        known = (steps > 0) & np.isfinite(rise)
        slopes += (rise[known] / steps[known]).tolist()
    return float(np.median(slopes)) if slopes else 0.0
