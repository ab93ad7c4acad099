"""The true noise of a cell with an engine in it: what repeatability studies are graded against."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.simulate.cell import Cell, noise_speeds, quiet_session
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.full_load import Disturbance, run_engine
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise, mixing_matrix, speed_profile
from dynostats.simulate.setup import Setup

_STEP = 1e-3
_DRIFT_PULLS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseTruth:
    """The layers of noise of one engine in one cell, on 100 x log torque.

    Args:
        dyno: Cell.
        engine: Engine.
        setup: Setup fitted.
        rpm: Speeds, shape (n,).
        pull_covariance: Between pulls of one setup in one session, shape (n, n), percent squared.
        session_covariance: Between sessions, the weather between them included, likewise.
        drift_pct_per_pull: Change a pull of run order: the cell's own and the warming cooler's,
            mean over the band and the first six pulls.
    """

    dyno: str
    engine: str
    setup: str
    rpm: Floats
    pull_covariance: Floats
    session_covariance: Floats
    drift_pct_per_pull: float

    def curve(self) -> pl.DataFrame:
        """Return one row a speed: rpm, pull_sd_pct, session_sd_pct."""
        return pl.DataFrame(
            {
                "rpm": self.rpm,
                "pull_sd_pct": np.sqrt(np.diag(self.pull_covariance)),
                "session_sd_pct": np.sqrt(np.diag(self.session_covariance)),
            }
        )

    def to_dict(self) -> dict[str, str | float]:
        """Return the SDs as root mean squares over speed, and those of the band mean."""
        return {
            "dyno": self.dyno,
            "engine": self.engine,
            "setup": self.setup,
            "pull_sd_pct": _rms_sd(self.pull_covariance),
            "session_sd_pct": _rms_sd(self.session_covariance),
            "band_mean_pull_sd_pct": _band_mean_sd(self.pull_covariance),
            "band_mean_session_sd_pct": _band_mean_sd(self.session_covariance),
            "drift_pct_per_pull": round(self.drift_pct_per_pull, 6),
        }


def find_noise_truth(
    engine: EngineSpec,
    setup: Setup,
    cell: Cell,
    air: Ambient,
    *,
    pressure_sd_kpa: float = 0.0,
    temperature_sd_c: float = 0.0,
) -> NoiseTruth:
    """Find the true noise of an engine in a cell, to first order.

    Boost, mixture and weather reach torque through the engine model: their share is the gradient
    of log torque along each, times its SD.

    Args:
        engine: The engine.
        setup: The setup fitted.
        cell: The cell.
        air: Its mean air.
        pressure_sd_kpa: SD of the ambient pressure between sessions.
        temperature_sd_c: SD of the ambient temperature between sessions.
    """
    fitted, rpm = setup.fit(engine), noise_speeds(engine)
    boost = _gradient(fitted, rpm, air, boost=1.0 + _STEP)
    mixture = _gradient(fitted, rpm, air, mixture=1.0 + _STEP)
    smooth = CurveNoise()
    pull = _layer(cell.noise, rpm, cell.noise.pull_sd_pct)
    pull = pull + np.outer(boost, boost) * _layer(smooth, rpm, cell.boost_pull_sd_pct)
    pull = pull + np.outer(mixture, mixture) * _layer(smooth, rpm, cell.mixture_pull_sd_pct)
    weather = _weather_gradients(fitted, rpm, air)
    session = _layer(cell.noise, rpm, cell.noise.session_sd_pct)
    for gradient, sd in zip(weather, (pressure_sd_kpa, temperature_sd_c), strict=True):
        session = session + np.outer(gradient, gradient) * sd**2
    return NoiseTruth(
        dyno=cell.name,
        engine=engine.name,
        setup=setup.name,
        rpm=rpm,
        pull_covariance=pull,
        session_covariance=session,
        drift_pct_per_pull=cell.noise.drift_pct_per_pull + _soak_drift(fitted, rpm, cell, air),
    )


def _layer(noise: CurveNoise, rpm: Floats, sd_pct: float) -> Floats:
    mixing = mixing_matrix(noise, rpm) * speed_profile(noise, rpm) * sd_pct
    return mixing.T @ mixing


def _gradient(
    fitted: EngineSpec, rpm: Floats, air: Ambient, *, boost: float = 1.0, mixture: float = 1.0
) -> Floats:
    """Percent of torque per percent of boost or mixture."""
    moved = run_engine(fitted, rpm, air, disturbance=Disturbance(boost=boost, mixture=mixture))
    base = run_engine(fitted, rpm, air)
    return np.log(moved.torque_nm / base.torque_nm) / np.log1p(_STEP)


def _weather_gradients(fitted: EngineSpec, rpm: Floats, air: Ambient) -> tuple[Floats, Floats]:
    """Percent of torque per kPa and per kelvin of the ambient."""
    base = run_engine(fitted, rpm, air).torque_nm
    denser = replace(air, pressure_kpa=air.pressure_kpa + 0.1)
    warmer = replace(air, temperature_c=air.temperature_c + 0.1)
    by_pressure, by_temperature = (
        1000.0 * np.log(run_engine(fitted, rpm, moved).torque_nm / base)
        for moved in (denser, warmer)
    )
    return by_pressure, by_temperature


def _soak_drift(fitted: EngineSpec, rpm: Floats, cell: Cell, air: Ambient) -> float:
    session = quiet_session(cell, fitted, air)
    first, last = (
        run_engine(fitted, rpm, air, medium_c=session.medium_start_c(order)).torque_nm
        for order in (1, _DRIFT_PULLS)
    )
    return float(100.0 * np.log(last / first).mean() / (_DRIFT_PULLS - 1))


def _rms_sd(covariance: Floats) -> float:
    return round(float(np.sqrt(np.mean(np.diag(covariance)))), 6)


def _band_mean_sd(covariance: Floats) -> float:
    return round(float(np.sqrt(covariance.mean())), 6)
