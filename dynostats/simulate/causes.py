"""Studies in which torque follows pressure, temperature and mixture by known exponents.

For grading a split by cause: the model is exactly the regression's, so the true parts are exact,
and how well the data can tell the causes apart is set by hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats
from dynostats.simulate.curves import Layout, simulate_curves
from dynostats.simulate.noise import CurveNoise, draw_pull_curves

CHANNELS = ("pressure", "temperature", "mixture")


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseModel:
    """How torque follows its causes, and how the causes vary. Triples are in `CHANNELS` order.

    Args:
        exponents: Percent of torque per percent of absolute pressure, absolute temperature and
            lambda.
        mixture_bend: Coefficient of the squared log departure of lambda from its level: torque
            falls on both sides of the best mixture.
        pull_sd_pct: SD of each between pulls, percent.
        session_sd_pct: SD of each between sessions, percent.
        pressure_temperature_correlation: Correlation of the variation of pressure and temperature
            between pulls and sessions; near 1 or -1 the data cannot tell them apart.
        reading_sd_pct: SD of the error with which each curve is read, percent.
    """

    exponents: tuple[float, float, float] = (1.05, -0.6, -0.15)
    mixture_bend: float = 0.0
    pull_sd_pct: tuple[float, float, float] = (0.5, 0.3, 0.3)
    session_sd_pct: tuple[float, float, float] = (0.8, 0.5, 0.3)
    pressure_temperature_correlation: float = 0.0
    reading_sd_pct: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CauseStudies:
    """Simulated studies.

    Args:
        log_torque: Shape (studies, pulls, n).
        log_causes: As read, in `CHANNELS` order, shape (3, studies, pulls, n).
        parts: True part of each setup's difference to the first setup in log torque: pressure,
            temperature, mixture, rest; shape (4, setups, n).
    """

    log_torque: Floats
    log_causes: Floats
    parts: Floats


def simulate_causes(
    layout: Layout,
    rpm: Floats,
    noise: CurveNoise,
    *,
    model: CauseModel,
    setup_shifts: Floats,
    rest: Floats,
    studies: int,
    rng: np.random.Generator,
) -> CauseStudies:
    """Simulate log torque and its causes for many studies of one layout.

    Args:
        layout: Setup, session and order of each of the p pulls.
        rpm: Grid of n engine speeds.
        noise: Noise of torque that no cause explains.
        model: How torque follows its causes.
        setup_shifts: Log shift of each cause by each setup, shape (setups, 3, n).
        rest: Log change of torque by each setup that no cause explains, shape (setups, n).
        studies: Number of studies.
        rng: Source of randomness.
    """
    exponents = np.array(model.exponents)
    causes = _vary(layout, rpm, model, studies, rng)
    causes += setup_shifts[layout.setup].transpose(1, 0, 2)[:, None]
    torque = simulate_curves(layout, rpm, noise, studies=studies, rng=rng, setup_curves=rest)
    torque += np.einsum("c,cspn->spn", exponents, causes) + model.mixture_bend * causes[2] ** 2
    readings = np.array(model.reading_sd_pct)[:, None, None, None] / 100.0
    errors = _draw_unit(rpm, (len(CHANNELS), *causes.shape[1:-1]), rng)
    shifts = setup_shifts - setup_shifts[:1]
    explained = exponents[:, None, None] * shifts.transpose(1, 0, 2)
    levels = setup_shifts[:, 2]
    explained[2] += model.mixture_bend * (levels**2 - levels[:1] ** 2)
    return CauseStudies(
        log_torque=torque,
        log_causes=causes + readings * errors,
        parts=np.concatenate([explained, (rest - rest[:1])[None]]),
    )


def _vary(
    layout: Layout, rpm: Floats, model: CauseModel, studies: int, rng: np.random.Generator
) -> Floats:
    """Draw the causes' departures from their setup's curves, shape (3, studies, pulls, n)."""
    pulls, sessions = len(layout.setup), int(layout.session.max()) + 1
    by_pull = _draw_unit(rpm, (len(CHANNELS), studies, pulls), rng)
    by_session = _draw_unit(rpm, (len(CHANNELS), studies, sessions), rng)
    rho = model.pressure_temperature_correlation
    for unit in (by_pull, by_session):
        unit[1] = rho * unit[0] + np.sqrt(1.0 - rho**2) * unit[1]
    pull_sd, session_sd = (
        np.array(sds)[:, None, None, None] / 100.0
        for sds in (model.pull_sd_pct, model.session_sd_pct)
    )
    return pull_sd * by_pull + session_sd * by_session[:, :, layout.session]


def _draw_unit(rpm: Floats, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    return draw_pull_curves(CurveNoise(pull_sd_pct=100.0), rpm, shape, rng)
