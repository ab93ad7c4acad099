"""Every kind of fault at its severities, and shops that hold each of them equally often."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from acceptance_shops import ENGINES, RUNS, Shop, Spoilt, plain_changes

from dynostats.simulate import Fault

Maker = Callable[[int, np.random.Generator], Spoilt]


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One kind of fault at one severity.

    Args:
        kind: What goes wrong.
        size: How much, in words.
        spoil: Makes the fault at a place of the engine's pulls, somewhere along the log.
        checks: Findings that name this fault rightly.
        plain: Whether it is so plain that it must not be missed: the quick test looks at these.
    """

    kind: str
    size: str
    spoil: Maker
    checks: tuple[str, ...]
    plain: bool = False


@dataclass(frozen=True, kw_only=True)
class Strike:
    """One fault in one pull of a shop."""

    setting: Setting
    engine: str
    place: int


def settings() -> list[Setting]:
    """Return every kind of fault at its severities, the plainest of each kind first."""
    fallen = ("torque_collapsed", "torque_sagged", "torque_fell_at_end", "load_lost")
    back = ("speed_reversed", "torque_collapsed", "load_lost", "began_late", "ended_early")
    fuel = ("fuel_pressure_lost", "fuel_pressure_falls", "fuel_pressure_unusual")
    oil = ("oil_pressure_falls", "oil_pressure_unusual")
    lean, hot = ("lean_cylinder", "cylinder_unusual"), ("hot_cylinder", "cylinder_unusual")
    kinds: list[tuple[str, tuple[str, ...], list[tuple[str, Maker]]]] = [
        (
            "ends early",
            ("ended_early",),
            [
                (f"at {share:.0%} of the log", _fault("ends_early", 1.0, share))
                for share in (0.5, 0.7, 0.9)
            ],
        ),
        (
            "torque collapses",
            (*fallen, "outside_band"),
            [
                (f"by {share:.0%}", _fault("torque_collapse", share, 0.25, 0.75))
                for share in (0.7, 0.3, 0.15, 0.05)
            ],
        ),
        (
            "speed falls back",
            back,
            [
                (f"by {rpm:.0f} rpm", _fault("speed_reversal", rpm, 0.25, 0.75))
                for rpm in (1000.0, 600.0, 200.0)
            ],
        ),
        (
            "fuel pressure lost",
            fuel,
            [
                (f"by {share:.0%}", _fault("fuel_pressure_loss", share, 0.2, 0.6))
                for share in (0.4, 0.15, 0.06, 0.03)
            ],
        ),
        (
            "oil pressure lost",
            oil,
            [(f"by {share:.0%}", _sink("oil_pressure", share)) for share in (0.4, 0.2, 0.08)],
        ),
        (
            "one cylinder lean",
            lean,
            [(f"lambda +{up:g}", _lift("lambda_2", up)) for up in (0.08, 0.04, 0.02)],
        ),
        (
            "one cylinder hot",
            hot,
            [(f"+{up:g} K", _lift("exhaust_temperature_2", up)) for up in (100.0, 50.0, 25.0)],
        ),
        (
            "channel missing",
            ("channel_missing",),
            [
                (channel, _fault("missing_channel", 1.0, 0.5, channel=channel))
                for channel in ("lambda", "charge_temperature")
            ],
        ),
        (
            "channel flat-lined",
            ("flat_line",),
            [
                (f"{channel} from {share:.0%}", _fault("flat_line", 1.0, share, channel=channel))
                for channel, share in (
                    ("charge_temperature", 0.4),
                    ("manifold_pressure", 0.4),
                    ("lambda", 0.8),
                )
            ],
        ),
        (
            "channel spiked, 15% of its range",
            ("spiked", "speed_reversed"),
            [
                (
                    f"{channel}, {count} sample{'s' if count > 1 else ''}",
                    _fault("spikes", count, 0.1, 0.5, channel=channel),
                )
                for channel, count in (
                    ("torque", 5),
                    ("torque", 1),
                    ("manifold_pressure", 1),
                    ("charge_temperature", 1),
                    ("engine_speed", 1),
                    ("lambda", 5),
                )
            ],
        ),
        (
            "channel saturated",
            ("saturated", "flat_line"),
            [
                (
                    f"{channel} at {share:.0%} of its highest",
                    _fault("saturation", share, 0.5, channel=channel),
                )
                for channel, share in (("torque", 0.9), ("torque", 0.98), ("fuel_flow", 0.9))
            ],
        ),
        (
            "clock gap",
            ("clock_gap",),
            [(f"{gap:g} s", _fault("clock_gap", gap, 0.2, 0.7)) for gap in (3.0, 1.0, 0.2)],
        ),
        (
            "power against torque",
            ("power_torque_mismatch",),
            [(f"{off:g}% off", _fault("power_mismatch", off, 0.5)) for off in (3.0, 1.4, 0.5)],
        ),
        (
            "swept faster",
            ("sweep_rate",),
            [(f"by {share:.0%}", _hurry(share)) for share in (0.25, 0.1, 0.05)],
        ),
        (
            "started hot or cold",
            ("start_temperature",),
            [
                (f"{kelvin:+g} K", _fault("hot_start", kelvin, 0.5))
                for kelvin in (20.0, -12.0, 8.0, 4.0)
            ],
        ),
        (
            "torque off, no other sign",
            ("outside_band",),
            [(f"{off:+g}%", _off(off)) for off in (5.0, -2.5, 1.5)],
        ),
        (
            "part of no known setup",
            ("label_no_known_setup", "label_other_setup"),
            [("plain in its channels", _stranger)],
        ),
    ]
    return [
        Setting(kind=kind, size=size, spoil=spoil, checks=checks, plain=not number)
        for kind, checks, sizes in kinds
        for number, (size, spoil) in enumerate(sizes)
    ]


def deal(faults: list[Setting], rounds: int) -> Iterator[tuple[int, list[Strike]]]:
    """Yield the number of a shop and what strikes it.

    Each setting strikes each engine once a round; a shop holds two settings an engine, in pulls of
    different sessions.
    """
    starts = np.cumsum([0, *(len(run) for run in RUNS)])
    number = 0
    for turn in range(rounds):
        hands = {
            name: np.random.default_rng([6, turn, at]).permutation(len(faults))
            for at, name in enumerate(ENGINES)
        }
        for first in range(0, len(faults), 2):
            rng = np.random.default_rng([7, number])
            strikes: list[Strike] = []
            for name, hand in hands.items():
                days = rng.permutation(len(RUNS))
                for which, day in zip(hand[first : first + 2], days, strict=False):
                    place = int(starts[day] + rng.integers(len(RUNS[day])))
                    strikes.append(Strike(setting=faults[which], engine=name, place=place))
            yield number, strikes
            number += 1


def make_faulty(number: int, strikes: list[Strike]) -> Shop:
    """Return the shop that is struck so."""
    rng = np.random.default_rng([3, number])
    spoilt: dict[str, tuple[Spoilt, ...]] = {}
    for one in strikes:
        made = one.setting.spoil(one.place, rng)
        spoilt[one.engine] = (*spoilt.get(one.engine, ()), made)
    return Shop(seed=number, changes=plain_changes(), spoilt=spoilt, mislabelled={})


def _fault(
    kind: str, severity: float, low: float, high: float | None = None, *, channel: str = ""
) -> Maker:
    """Return a maker of a fault that begins anywhere between two shares of the log."""

    def spoil(place: int, rng: np.random.Generator) -> Spoilt:
        at = float(rng.uniform(low, low if high is None else high))
        fault = Fault(kind=kind, severity=severity, at=at, channel=channel)  # pyright: ignore[reportArgumentType]
        return Spoilt(place=place, fault=fault)

    return spoil


def _changed(change: Callable[[pl.DataFrame, float], pl.DataFrame]) -> Maker:
    """Return a maker of a change of the log that begins in its second quarter."""

    def spoil(place: int, rng: np.random.Generator) -> Spoilt:
        at = float(rng.uniform(0.25, 0.5))
        return Spoilt(place=place, change=lambda log: change(log, at))

    return spoil


def _ramp(log: pl.DataFrame, at: float) -> np.ndarray:
    """Return 0 up to a share of the log, then rising to 1 over a fifth of it."""
    return np.clip((np.arange(log.height) / log.height - at) / 0.2, 0.0, 1.0)


def _sink(channel: str, share: float) -> Maker:
    def change(log: pl.DataFrame, at: float) -> pl.DataFrame:
        return log.with_columns(pl.col(channel) * pl.Series(1.0 - share * _ramp(log, at)))

    return _changed(change)


def _lift(channel: str, up: float) -> Maker:
    def change(log: pl.DataFrame, at: float) -> pl.DataFrame:
        return log.with_columns(pl.col(channel) + pl.Series(up * _ramp(log, at)))

    return _changed(change)


def _hurry(share: float) -> Maker:
    return _changed(lambda log, _: log.with_columns(pl.col("time") / (1.0 + share)))


def _off(percent: float) -> Maker:
    factor = 1.0 + percent / 100.0
    return _changed(
        lambda log, _: log.with_columns(pl.col("torque") * factor, pl.col("power") * factor)
    )


def _stranger(place: int, _: np.random.Generator) -> Spoilt:
    return Spoilt(place=place, stranger=True)
