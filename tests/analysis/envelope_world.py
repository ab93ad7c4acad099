"""A shop whose channels have known noise: reference pulls, history, and new logs of the setup.

Every curve is log value = setup's curve + session's curve + pull's curve, with the noise shapes of
the simulator; logs are sampled with noise of their own and smoothed as `ingest` smooths.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from dynostats.analysis.envelope import NewLog, Reference
from dynostats.curves import smooth
from dynostats.simulate.noise import (
    CurveNoise,
    NoiseShape,
    draw_pull_curves,
    draw_session_curves,
    shape_noise,
)

RATE_HZ, PACE_RPM_S = 20.0, 400.0
RPM = np.arange(2500.0, 6501.0, 50.0)
# Mean over speed, unit offset to an absolute scale, SD of one sample in the unit.
MEANS = {
    "manifold_pressure": (lambda rpm: 190.0 - 10.0 * ((rpm - 4500.0) / 2000.0) ** 2, 0.0, 0.3),
    "lambda": (lambda rpm: 0.88 - 0.00001 * (rpm - 2500.0), 0.0, 0.003),
    "fuel_pressure": (lambda rpm: 390.0 + 0.0 * rpm, 0.0, 1.5),
    "oil_pressure": (lambda rpm: 250.0 + 0.03 * rpm, 0.0, 2.0),
    "charge_temperature": (lambda rpm: 36.0 + 0.002 * (rpm - 2500.0), 273.15, 0.15),
    "exhaust_temperature_1": (lambda rpm: 700.0 + 0.03 * (rpm - 2500.0), 273.15, 1.5),
}
USUAL = tuple(MEANS)[:5]
PULL_SD_PCT = {
    "manifold_pressure": 0.25,
    "lambda": 0.25,
    "fuel_pressure": 0.3,
    "oil_pressure": 0.8,
    "charge_temperature": 0.15,
    "exhaust_temperature_1": 0.15,
}


@dataclass(frozen=True, kw_only=True)
class World:
    """What a shop is made of.

    Args:
        reference: Pulls of the reference setup, one number a session.
        history: Pulls of another setup of the same engine, one number a session.
        ratio: Session SD over pull SD, of every channel.
        channels: Channels logged.
        shape: Shape of the noise over speed, as the simulator names it.
        repeated: Whether the history is of one setup; else no setup ever comes back, and how far
            days differ cannot be learned.
    """

    reference: tuple[int, ...] = (3,)
    history: tuple[int, ...] = (3,) * 6
    ratio: float = 1.0
    channels: tuple[str, ...] = USUAL
    shape: NoiseShape = "smooth"
    repeated: bool = True

    def noise(self, channel: str) -> CurveNoise:
        """Return the noise of a channel."""
        sd = PULL_SD_PCT[channel]
        return shape_noise(self.shape, pull_sd_pct=sd, session_sd_pct=self.ratio * sd)


@cache
def sweep() -> tuple[np.ndarray, np.ndarray]:
    """Return the speeds of a sweep's samples and the weights that smooth them, on the grid."""
    speed = np.arange(RPM[0] - 100.0, RPM[-1] + 101.0, PACE_RPM_S / RATE_HZ)
    return speed, smooth(speed, np.eye(len(speed)), RPM, bandwidth_rpm=150.0)


def make_reference(world: World, rng: np.random.Generator) -> Reference:
    """Simulate the reference pulls and the history around them."""
    rows, curves, samples = [], [], []
    others = [
        ("other" if world.repeated else f"other {at}", n) for at, n in enumerate(world.history)
    ]
    plan = [("ref", n) for n in world.reference] + others
    for number, (setup, count) in enumerate(plan):
        errors = open_session(world, rng)
        for order in range(1, count + 1):
            name = f"P{len(rows) + 1}"
            log = sample(world, errors, rng)
            rows.append((name, "mill", f"s{number}", setup, order))
            curves.append(smoothed(log, name))
            if setup == "ref":
                samples.append(log)
    return Reference(
        engine="mill",
        setup="ref",
        dyno="cell",
        pulls=pl.DataFrame(
            rows, schema=["pull", "engine", "session", "setup", "order"], orient="row"
        ),
        curves=pl.concat(curves),
        samples=samples[:4],
    )


def open_session(world: World, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Draw what a session adds to the log of each channel."""
    return {name: draw_session_curves(world.noise(name), RPM, (), rng) for name in world.channels}


def sample(world: World, errors: dict[str, np.ndarray], rng: np.random.Generator) -> pl.DataFrame:
    """Simulate the samples of one pull, from a second at part throttle to the top."""
    speed, _ = sweep()
    lead = np.full(int(2.0 * RATE_HZ), speed[0])
    rpm = np.concatenate([lead, speed])
    open_wide = np.arange(len(rpm)) >= len(lead) // 3
    columns = {
        "time": np.arange(len(rpm)) / RATE_HZ,
        "engine_speed": rpm,
        "throttle": np.where(open_wide, 100.0, 30.0),
    }
    for name in world.channels:
        mean, offset, sd = MEANS[name]
        error = errors[name] + draw_pull_curves(world.noise(name), RPM, (), rng)
        true = (mean(rpm) + offset) * np.exp(np.interp(rpm, RPM, error)) - offset
        columns[name] = true + sd * rng.standard_normal(len(rpm))
    return pl.DataFrame(columns)


def smoothed(log: pl.DataFrame, pull: str) -> pl.DataFrame:
    """Return the curves of a pull."""
    speed, weights = sweep()
    names = [name for name in log.columns if name != "engine_speed"]
    values = weights @ log.tail(len(speed)).select(names).to_numpy()
    return pl.DataFrame({"pull": [pull] * len(RPM), "rpm": RPM}).with_columns(
        **{name: values[:, at] for at, name in enumerate(names)}
    )


def new_log(world: World, rng: np.random.Generator, **factors: float) -> NewLog:
    """Simulate a log of another day; a channel named is multiplied by its factor."""
    log = sample(world, open_session(world, rng), rng)
    changed = log.with_columns(pl.col(name) * factor for name, factor in factors.items())
    return NewLog(name="run.csv", samples=changed)
