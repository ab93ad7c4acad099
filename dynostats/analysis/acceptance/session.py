"""Pulls unlike the others of their session: sweep rate, temperature at the start, channels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.acceptance.limits import Limit, find_limit
from dynostats.analysis.acceptance.mount import Mount
from dynostats.arrays import Flags, Floats, Ints

# Other pulls needed before their median says what is usual.
LEAST_OTHERS = 2
LEAST_OF_ENGINE = 4
# Common practice, no published source.
RATE_FLOOR, RATE_DEFAULT = 0.05, 0.10  # share of the session's sweep rate
RATE_STEPS = 4  # grid steps a rise is taken over
START_FLOOR_K, START_DEFAULT_K, START_ALONE_K = 4.0, 10.0, 15.0
START_CHANNELS = ("oil_temperature", "coolant_temperature", "cooler_medium_temperature")
START_SPEEDS = 3  # first grid speeds whose mean is the start
# Channels that later questions need (what explains a difference), and that protect the engine.
NEEDED = (
    *("manifold_pressure", "charge_temperature", "lambda", "fuel_pressure", "oil_pressure"),
    *("compressor_out_pressure", "ignition_advance"),
)
MOST_OF_THEM = 0.8


def check_sweep_rate(mount: Mount) -> tuple[Limit, list[PullFinding]]:
    """Find pulls swept faster or slower than their session."""
    rates = _sweep_rates(mount)
    logs = np.log(rates)
    usual = mount.usual(logs, "session", least=LEAST_OTHERS)
    # A session of two says nothing of itself; the engine's other pulls do.
    usual = np.where(np.isnan(usual), mount.usual(logs, least=LEAST_OF_ENGINE), usual)
    away = logs - usual
    limit = find_limit(away[mount.accepted], floor=RATE_FLOOR, default=RATE_DEFAULT)
    found: list[PullFinding] = []
    for row in np.flatnonzero((np.abs(away) > limit.value) & ~_backed(mount, logs, limit)):
        was = float(np.exp(usual[row]))
        extra = float(rates[row]) - was
        found.append(
            PullFinding(
                pull=mount.names()[row],
                check="sweep_rate",
                severity="doubtful",
                message=f"Engine speed rises at {rates[row]:.0f} rpm/s, in the other pulls "
                f"at {was:.0f} (limit {limit.value:.0%}). Unless torque is corrected for "
                "inertia, a faster sweep reads less: each kg.m2 of rotating inertia takes "
                f"{abs(extra) * np.pi / 30.0:.1f} N.m {'more' if extra > 0 else 'less'} here.",
            )
        )
    return limit, found


def _sweep_rates(mount: Mount) -> Floats:
    """Return how fast engine speed rises, rpm/s, shape (pulls,); NaN where there is no clock.

    The median over the pull, each rise taken over a few grid steps: no gap of the clock moves it.
    """
    clock = mount.channels.get("time")
    rates = np.full(mount.pulls.height, np.nan)
    if clock is None or clock.shape[1] <= RATE_STEPS:
        return rates
    rise = mount.rpm[RATE_STEPS:] - mount.rpm[:-RATE_STEPS]
    lasts = clock[:, RATE_STEPS:] - clock[:, :-RATE_STEPS]
    each = rise / np.where(lasts > 0.0, lasts, np.nan)
    timed = np.isfinite(each).any(axis=1)
    rates[timed] = np.nanmedian(each[timed], axis=1)
    return rates


def check_start(mount: Mount) -> Iterator[tuple[str, Limit, list[PullFinding]]]:
    """Find pulls that started hotter or colder than their session, channel by channel."""
    for channel in START_CHANNELS:
        if channel not in mount.channels:
            continue
        start = _starts(mount, mount.channels[channel])
        level = start - _slope(mount, start) * _order(mount)
        away = level - mount.usual(level, "session", least=LEAST_OTHERS)
        limit = find_limit(away[mount.accepted], floor=START_FLOOR_K, default=START_DEFAULT_K)
        yield channel, limit, _tell_starts(mount, channel, start, away, limit, level=level)
        # A session of two says nothing of itself; how the engine usually starts does, with less
        # weight: sessions differ more than pulls.
        alone = np.isnan(away) & np.isfinite(start)
        if alone.any():
            above = level - _air(mount) if channel == "cooler_medium_temperature" else level
            apart = above - mount.usual(above, least=LEAST_OF_ENGINE)
            wide = find_limit(apart[mount.accepted], floor=START_DEFAULT_K, default=START_ALONE_K)
            apart[~alone] = np.nan
            found = _tell_starts(mount, channel, start, apart, wide, level=level)
            yield f"{channel}, across sessions", wide, found


def _tell_starts(
    mount: Mount, channel: str, start: Floats, away: Floats, limit: Limit, *, level: Floats
) -> list[PullFinding]:
    alike = mount.usual(level, "session", least=LEAST_OTHERS)
    return [
        PullFinding(
            pull=mount.names()[row],
            check="start_temperature",
            severity="doubtful",
            message=f"The pull started with {channel.replace('_', ' ')} at {start[row]:.0f} degC, "
            f"{abs(away[row]):.0f} K {'hotter' if away[row] > 0 else 'colder'} than the other "
            f"pulls of its {'session' if np.isfinite(alike[row]) else 'engine'} (limit "
            f"{limit.value:.0f} K): friction and charge differ.",
        )
        for row in np.flatnonzero((np.abs(away) > limit.value) & ~_backed(mount, level, limit))
    ]


def _air(mount: Mount) -> Floats:
    """Return the air of the cell before each pull, degC; NaN where it was not written down."""
    stated = mount.pulls["ambient_temperature_c"].cast(pl.Float64)
    return stated.fill_null(np.nan).to_numpy()


def _backed(mount: Mount, values: Floats, limit: Limit) -> Flags:
    """Tell which pulls have half or more of the others of their session beside them.

    Of three pulls one odd one drags the median that the other two are measured by.
    """
    backed = np.zeros(len(values), dtype=np.bool_)
    for rows in mount.groups("session"):
        for row in rows:
            others = values[rows[(rows != row) & mount.accepted[rows]]]
            others = others[np.isfinite(others)]
            near = np.abs(others - values[row]) <= limit.value
            backed[row] = bool(others.size) and near.mean() >= 0.5
    return backed


def check_channels(mount: Mount) -> Iterator[PullFinding]:
    """Yield pulls that lack a channel which the others of their session, or engine, have."""
    names = [name for name in NEEDED if name in mount.channels]
    has = np.array([np.isfinite(mount.channels[name]).any(axis=1) for name in names]).T
    every = np.flatnonzero(mount.accepted)
    for rows in mount.groups("session") if names else ():
        for row in rows:
            others = rows[(rows != row) & mount.accepted[rows]]
            if len(others) < LEAST_OTHERS:
                others = every[every != row]
            if len(others) < LEAST_OTHERS:
                continue
            missing = ~has[row] & (has[others].mean(axis=0) >= MOST_OF_THEM)
            if missing.any():
                lacks = ", ".join(np.array(names)[missing])
                yield PullFinding(
                    pull=mount.names()[row],
                    check="channel_missing",
                    severity="doubtful",
                    message=f"The other pulls have {lacks}; this one does not: a plug or a logger "
                    "setting. Torque can be compared, what explains it cannot.",
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
