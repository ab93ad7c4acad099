"""The test cell: how it sweeps, how it samples, how noisy it is, how a session begins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise, draw_drifts, draw_session_curves

SAMPLE_NOISE: Mapping[str, float] = MappingProxyType(
    {
        "engine_speed": 3.0,
        "torque": 1.0,
        "manifold_pressure": 0.3,
        "compressor_out_pressure": 0.3,
        "compressor_out_temperature": 0.2,
        "charge_temperature": 0.15,
        "cooler_medium_temperature": 0.1,
        "lambda": 0.003,
        "exhaust_temperature": 1.5,
        "fuel_flow": 0.15,
        "fuel_pressure": 1.5,
        "air_flow": 2.0,
        "oil_pressure": 2.0,
        "oil_temperature": 0.1,
        "coolant_temperature": 0.1,
        "throttle": 0.05,
        "ignition_advance": 0.05,
    }
)
"""SD of one sample, in the channel's unit; sizes of common practice, no published source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A dynamometer cell.

    Args:
        name: Name on the sheet.
        noise: Curve noise on torque that no other channel shows.
        boost_pull_sd_pct: SD between pulls of absolute boost pressure; torque follows it.
        mixture_pull_sd_pct: SD between pulls of lambda.
        sample_rate_hz: Samples a second.
        sweep_rate_rpm_s: Rise of engine speed in a pull.
        lead_s: Time held at the lowest speed while the throttle opens.
        tail_s: Time logged after the throttle shuts.
        soak_c: How far the start temperature of the cooler's medium creeps up over a session, K.
        soak_pulls: Pulls after which 63% of that has come.
        inertia_kg_m2: Rotating inertia whose acceleration the cell's torque lacks.
        lag_s: First-order lag of a channel; "exhaust_temperature" and "lambda" stand for every
            cylinder's.
        sample_noise: SD of one sample by channel.
    """

    name: str
    noise: CurveNoise = field(default_factory=CurveNoise)
    boost_pull_sd_pct: float = 0.2
    mixture_pull_sd_pct: float = 0.2
    sample_rate_hz: float = 20.0
    sweep_rate_rpm_s: float = 400.0
    lead_s: float = 0.8
    tail_s: float = 0.5
    soak_c: float = 2.0
    soak_pulls: float = 4.0
    inertia_kg_m2: float = 0.0
    lag_s: Mapping[str, float] = field(default_factory=lambda: {"exhaust_temperature": 0.3})
    sample_noise: Mapping[str, float] = field(default_factory=lambda: SAMPLE_NOISE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Session:
    """One day with one engine in a cell.

    Args:
        cell: The cell.
        air: Its air that day.
        rpm: Speeds of `log_error`.
        log_error: This session's error of log torque over speed.
        log_drift: Its drift of log torque a pull.
    """

    cell: Cell
    air: Ambient
    rpm: Floats
    log_error: Floats
    log_drift: float

    def medium_start_c(self, order: int) -> float:
        """Return the temperature of the cooler's medium as a pull starts, degC."""
        soaked = 1.0 - np.exp(-(order - 1) / self.cell.soak_pulls)
        return self.air.temperature_c + self.cell.soak_c * float(soaked)


def open_session(cell: Cell, engine: EngineSpec, air: Ambient, rng: np.random.Generator) -> Session:
    """Draw what is peculiar to a session before its first pull."""
    rpm = noise_speeds(engine)
    return Session(
        cell=cell,
        air=air,
        rpm=rpm,
        log_error=draw_session_curves(cell.noise, rpm, (1,), rng)[0],
        log_drift=float(draw_drifts(cell.noise, (1,), rng)[0]),
    )


def quiet_session(cell: Cell, engine: EngineSpec, air: Ambient) -> Session:
    """Return a session without any error: what truth is reckoned in."""
    rpm = noise_speeds(engine)
    return Session(cell=cell, air=air, rpm=rpm, log_error=np.zeros_like(rpm), log_drift=0.0)


def noise_speeds(engine: EngineSpec) -> Floats:
    """Return the speeds on which noise curves are drawn: every 50 rpm over the pull."""
    return np.arange(engine.rpm_low, engine.rpm_high + 1.0, 50.0)
