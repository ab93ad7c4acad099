"""Simulated studies with known parts: by exact exponents, and by the mean-value engine."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

import numpy as np
from explained import LEVELS, PAST, RPM, frames_of, sessions_of

from dynostats.analysis.attribution import attribute
from dynostats.analysis.attribution.causes import BOOST, TEMPERATURE, mixture_cause
from dynostats.analysis.question import Question
from dynostats.simulate.causes import CauseModel
from dynostats.simulate.cell import quiet_session
from dynostats.simulate.curves import lay_out, simulate_curves
from dynostats.simulate.full_load import Disturbance, run_engine
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise, draw_pull_curves
from dynostats.simulate.scenario import BRAKE, TURBO_FIVE
from dynostats.simulate.setup import Setup
from dynostats.simulate.truth import _split

LONG = (*PAST, *PAST)
SHORT = ("AAA", "ACCA", "AAA")
# Causes that vary as much from pull to pull as torque itself, or twice as much.
VARIED = CauseModel(pull_sd_pct=(0.8, 0.6, 0.8))
USUAL = CauseModel()
PARTS = ("boost", "charge_temperature", "mixture", "unexplained")


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """One kind of study.

    Args:
        name: In one word.
        words: What it is.
        past: Past sessions, a string each.
        study: The study's sessions.
        model: How the causes vary; None for the mean-value engine.
        exponents: "fixed", or "drawn" anew in each study from the stated priors.
        expected: What the answer should say of them: "identified", "assumed", or "" for either.
    """

    name: str
    words: str
    past: tuple[str, ...]
    study: tuple[str, ...]
    model: CauseModel | None
    exponents: str = "fixed"
    expected: str = ""


SCENARIOS = (
    Scenario(
        name="identified",
        words="20 past sessions, causes that vary apart",
        past=LONG,
        study=("ABBA", "ABBA"),
        model=VARIED,
        expected="identified",
    ),
    Scenario(
        name="identified, blocks",
        words="the same, one session of AAABBB",
        past=LONG,
        study=("AAABBB",),
        model=VARIED,
        expected="identified",
    ),
    Scenario(
        name="identified, exponents drawn",
        words="the same as the first, exponents anew in each study",
        past=LONG,
        study=("ABBA", "ABBA"),
        model=VARIED,
        exponents="drawn",
        expected="identified",
    ),
    Scenario(
        name="on the edge",
        words="10 past sessions, causes that vary as they usually do",
        past=PAST,
        study=("ABBA", "ABBA"),
        model=USUAL,
        exponents="drawn",
    ),
    Scenario(
        name="weakly identified",
        words="3 past sessions, causes that vary as they usually do",
        past=SHORT,
        study=("ABBA",),
        model=USUAL,
        exponents="drawn",
        expected="assumed",
    ),
    Scenario(
        name="collinear",
        words="20 past sessions, pressure and temperature correlated by 0.98",
        past=LONG,
        study=("ABBA", "ABBA"),
        model=replace(VARIED, pressure_temperature_correlation=0.98),
        exponents="drawn",
        expected="assumed",
    ),
    Scenario(
        name="collinear, short",
        words="3 past sessions, correlated by 0.98",
        past=SHORT,
        study=("ABBA",),
        model=replace(USUAL, pressure_temperature_correlation=0.98),
        exponents="drawn",
        expected="assumed",
    ),
    Scenario(
        name="engine, cooler",
        words="mean-value engine, 20 past sessions; another cooler, 2% leaner, better filling",
        past=LONG,
        study=("ABBA", "ABBA"),
        model=None,
    ),
    Scenario(
        name="engine, short",
        words="the same with 3 past sessions",
        past=SHORT,
        study=("ABBA",),
        model=None,
    ),
)


@dataclass(frozen=True, kw_only=True)
class Graded:
    """One study, graded. Arrays are in the order of `PARTS`, percent on the log scale.

    Args:
        inside: Whether each part's interval holds the truth.
        by_speed: Share of speeds at which it does.
        half: Half-width of each interval.
        off: Estimate less truth.
        assumed: Whether each exponent is assumed.
        identified: What the answer says.
    """

    inside: np.ndarray
    by_speed: np.ndarray
    half: np.ndarray
    off: np.ndarray
    assumed: np.ndarray
    identified: bool


def grade(scenario: Scenario, seed: int) -> Graded:
    """Simulate a study, attribute it, and hold the answer against the truth."""
    rng = np.random.default_rng([seed, len(scenario.name)])
    if scenario.model is None:
        pulls, curves, truth = engine_study(scenario, rng)
    else:
        model = replace(scenario.model, mixture_bend=-2.43)
        if scenario.exponents == "drawn":
            model = drawn(model, rng)
        runs = (*scenario.past, *scenario.study)
        pulls, curves, truth = sessions_of(*runs, model=model, seed=int(rng.integers(2**31)))
    found = attribute(pulls, curves, Question(engine="mill", baseline="A", candidate="B"))
    true = 100.0 * truth.mean(axis=1)
    bounds = np.array([[part.low_pct, part.high_pct] for part in found.parts])
    low, high = 100.0 * np.log1p(bounds.T / 100.0)
    return Graded(
        inside=(low <= true) & (true <= high),
        by_speed=np.array([_share_inside(found, at, 100.0 * truth[at]) for at in range(4)]),
        half=(high - low) / 2.0,
        off=np.array([part.log_pct for part in found.parts]) - true,
        assumed=np.array([one.assumed for one in found.coefficients]),
        identified=found.identified,
    )


def _share_inside(found, at, true):
    name = PARTS[at]
    low, high = (
        100.0 * np.log1p(found.curve[f"{name}_{end}_pct"].to_numpy() / 100.0)
        for end in ("low", "high")
    )
    return np.mean((low <= true) & (true <= high))


def drawn(model: CauseModel, rng: np.random.Generator) -> CauseModel:
    """Draw exponents and the bend of the mixture from the priors that the analysis states."""
    mixture = mixture_cause(LEVELS["lambda"])
    exponents = [
        cause.prior.mean + cause.prior.sd * rng.standard_normal()
        for cause in (BOOST, TEMPERATURE, mixture)
    ]
    bend = mixture.bend.mean + mixture.bend.sd * rng.standard_normal()
    return replace(model, exponents=tuple(exponents), mixture_bend=bend)


# The mean-value engine: a cooler of less loss and more effect, a leaner mixture, better filling.
SETUPS = (
    Setup(name="A"),
    Setup(name="B", cooler_resistance=0.5, cooler_transfer=1.3, mixture=1.02, filling=1.01),
    Setup(name="C", exhaust_resistance=0.7),
)
ENGINE_RPM = np.arange(2500.0, 6501.0, 100.0)
NOISE = CurveNoise(pull_sd_pct=0.36, session_sd_pct=0.4, drift_pct_per_pull=-0.06)
# SD between pulls of boost and mixture, percent, and of the medium's temperature, K; of the
# readings, kPa, K and lambda at one grid speed.
BOOST_SD, MIXTURE_SD, MEDIUM_SD, SOAK_K = 0.5, 0.5, 2.0, 3.0
READING_SD = {"manifold_pressure": 0.05, "charge_temperature": 0.05, "lambda": 0.0005}


def engine_study(scenario: Scenario, rng: np.random.Generator):
    """Simulate a study on the mean-value engine, array by array, and its true parts."""
    layout = lay_out(*scenario.past, *scenario.study)
    rpm = ENGINE_RPM
    scatter = {
        name: draw_pull_curves(CurveNoise(pull_sd_pct=sd), rpm, (len(layout.setup),), rng)
        for name, sd in (("boost", BOOST_SD), ("mixture", MIXTURE_SD))
    }
    noise = simulate_curves(layout, rpm, NOISE, studies=1, rng=rng)[0]
    torque = np.empty_like(noise)
    channels = {name: np.empty_like(noise) for name in (*READING_SD, "compressor_out_pressure")}
    airs = [
        Ambient(
            pressure_kpa=99.2 + 0.35 * rng.standard_normal(),
            temperature_c=24.0 + 0.8 * rng.standard_normal(),
        )
        for _ in range(int(layout.session.max()) + 1)
    ]
    medium = SOAK_K * (1.0 - np.exp(-(layout.order - 1) / 4.0))
    medium = medium + MEDIUM_SD * rng.standard_normal(len(medium))
    for session, setup in sorted(
        set(zip(layout.session.tolist(), layout.setup.tolist(), strict=True))
    ):
        rows = np.flatnonzero((layout.session == session) & (layout.setup == setup))
        state = run_engine(
            SETUPS[setup].fit(TURBO_FIVE),
            np.tile(rpm, len(rows)),
            airs[session],
            medium_c=airs[session].temperature_c + np.repeat(medium[rows], len(rpm)),
            disturbance=Disturbance(
                boost=np.exp(scatter["boost"][rows].ravel()),
                mixture=np.exp(scatter["mixture"][rows].ravel()),
            ),
        )
        shape = (len(rows), len(rpm))
        torque[rows] = state.torque_nm.reshape(shape) * np.exp(noise[rows])
        charge = state.charge
        channels["manifold_pressure"][rows] = charge.manifold_kpa.reshape(shape)
        channels["charge_temperature"][rows] = charge.temperature_c.reshape(shape)
        channels["lambda"][rows] = charge.lam.reshape(shape)
        channels["compressor_out_pressure"][rows] = charge.compressor_out_kpa.reshape(shape)
    for name, sd in READING_SD.items():
        channels[name] += sd * rng.standard_normal(torque.shape)
    return *frames_of(layout, rpm, torque, channels), engine_truth()


@cache
def engine_truth():
    """Return the true parts, shape (4, speeds), in mean air and without soak (Shapley's values)."""
    air = Ambient(pressure_kpa=99.2, temperature_c=24.0)
    sides = tuple(
        (setup, run_engine(setup.fit(TURBO_FIVE), ENGINE_RPM, air)) for setup in SETUPS[:2]
    )
    return _split(TURBO_FIVE, quiet_session(BRAKE, TURBO_FIVE, air), *sides)


__all__ = ["PARTS", "RPM", "SCENARIOS", "Graded", "Scenario", "grade"]
