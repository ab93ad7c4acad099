"""The demo shop: every pull of the scenario, simulated, with what is true of it."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.simulate.cell import Cell, quiet_session
from dynostats.simulate.day import (
    PRESSURE_KPA,
    PRESSURE_SD_KPA,
    TEMPERATURE_C,
    TEMPERATURE_SD_C,
    LabelledPull,
    open_day,
    simulate_days,
)
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise_truth import NoiseTruth, find_noise_truth
from dynostats.simulate.scenario import (
    DAYS,
    DEFAULT_SEED,
    QUESTIONS,
    REFERENCES,
    SETUPS,
    SHOP,
    Question,
)
from dynostats.simulate.setup import Setup
from dynostats.simulate.truth import Truth, find_truth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoShop:
    """A shop's files with what is true of them.

    Args:
        name: Name of the shop.
        seed: Seed it was simulated with.
        pulls: Every pull in order of time.
        questions: What the shop wants to know; the first is the demo's study.
        truths: The true answer to each question.
        noises: The true noise of each engine's reference setup, weather between sessions included.
    """

    name: str
    seed: int
    pulls: tuple[LabelledPull, ...]
    questions: tuple[Question, ...]
    truths: tuple[Truth, ...]
    noises: tuple[NoiseTruth, ...]

    def void_pulls(self) -> tuple[LabelledPull, ...]:
        """Return the pulls that the operator aborted: to be excluded, with the note as reason."""
        return tuple(p for p in self.pulls if p.fault and p.fault.kind == "torque_collapse")


def demo_shop(seed: int = DEFAULT_SEED) -> DemoShop:
    """Simulate the demo shop; the same seed gives the same numbers."""
    places = {day.session: index for index, day in enumerate(DAYS)}
    truths = tuple(_answer(question, places[question.session], seed) for question in QUESTIONS)
    return DemoShop(
        name=SHOP,
        seed=seed,
        pulls=simulate_days(DAYS, seed),
        questions=QUESTIONS,
        truths=truths,
        noises=tuple(_state_noise(*reference) for reference in REFERENCES),
    )


def _answer(question: Question, place: int, seed: int) -> Truth:
    """Reckon the truth in the air of the day on which both setups were pulled."""
    day = DAYS[place]
    air = open_day(day, seed, place)[0].air
    quiet = quiet_session(day.cell, day.engine, air)
    return find_truth(day.engine, SETUPS[question.baseline], SETUPS[question.candidate], quiet)


def _state_noise(cell: Cell, engine: EngineSpec, setup: Setup) -> NoiseTruth:
    return find_noise_truth(
        engine,
        setup,
        cell,
        Ambient(pressure_kpa=PRESSURE_KPA, temperature_c=TEMPERATURE_C),
        pressure_sd_kpa=PRESSURE_SD_KPA,
        temperature_sd_c=TEMPERATURE_SD_C,
    )
