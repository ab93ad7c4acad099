"""What changed since a session began: torque of the same setup, temperatures, air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats

CHANNELS = (
    *("oil_temperature", "coolant_temperature", "cooler_medium_temperature"),
    *("charge_temperature", "ambient_temperature", "ambient_pressure"),
)
# First grid speeds that both pulls have, whose mean is a pull's start.
START_SPEEDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One quantity now and when the session began.

    Args:
        name: Channel; "torque" for the drift.
        start: At the session's first pull (of the same setup, for torque); None for torque.
        now: At the last pull; for torque the change in percent.
        unit: Unit of both.
    """

    name: str
    start: float | None
    now: float
    unit: str


_UNITS = {"ambient_pressure": "kPa"}


def changes_since_start(pulls: pl.DataFrame, curves: pl.DataFrame) -> tuple[Change, ...]:
    """Return what changed between the first and the last pull of a session.

    Args:
        pulls: One row an accepted pull of one session in the order run: pull, setup.
        curves: One row a pull and grid speed: pull, rpm, torque, and any of `CHANNELS`.

    Returns:
        The drift of the setup pulled first, between its first and its last pull, then the
        channels, each a mean over the first speeds that both pulls have.
    """
    names = pulls["pull"].to_list()
    if not names:
        return ()
    found: list[Change] = []
    same = pulls.filter(setup=pulls["setup"][0])["pull"].to_list()
    drift = _drift_pct(curves, same[0], same[-1]) if len(same) > 1 else None
    if drift is not None:
        found.append(Change(name="torque", start=None, now=drift, unit="%"))
    for channel in CHANNELS:
        if channel not in curves.columns:
            continue
        first, last = _both(curves, channel, names[0], names[-1])
        if first.size:
            start, now = (float(part[:START_SPEEDS].mean()) for part in (first, last))
            unit = _UNITS.get(channel, "°C")
            found.append(Change(name=channel, start=start, now=now, unit=unit))
    return tuple(found)


def _drift_pct(curves: pl.DataFrame, first: str, last: str) -> float | None:
    before, after = _both(curves, "torque", first, last)
    if not before.size:
        return None
    return 100.0 * float(np.expm1(np.log(after / before).mean()))


def _both(curves: pl.DataFrame, channel: str, first: str, last: str) -> tuple[Floats, Floats]:
    """Return a channel of two pulls at the speeds that both have."""
    one, other = (
        curves.filter(pull=name).select("rpm", pl.col(channel).alias(name_at)).drop_nulls()
        for name, name_at in ((first, "before"), (last, "after"))
    )
    joined = one.join(other, on="rpm", how="inner").sort("rpm")
    return joined["before"].to_numpy(), joined["after"].to_numpy()
