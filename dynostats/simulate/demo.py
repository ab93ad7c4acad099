"""The demo shop: every pull of the scenario, simulated, with what is true of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from dynostats.simulate.cell import Cell, Session, open_session, quiet_session
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.faults import Fault
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise_truth import NoiseTruth, find_noise_truth
from dynostats.simulate.pull import simulate_pull
from dynostats.simulate.scenario import (
    DAYS,
    DEFAULT_SEED,
    QUESTIONS,
    REFERENCES,
    SETUPS,
    SHOP,
    Day,
    Question,
)
from dynostats.simulate.truth import Truth, find_truth

_FIRST_PULL_HOUR = 9
_MINUTES_BETWEEN_PULLS = 12
_PRESSURE_KPA, _PRESSURE_SD_KPA = 99.2, 0.35
_TEMPERATURE_C, _TEMPERATURE_SD_C = 24.0, 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoPull:
    """One pull of the demo.

    Args:
        file: Name of its log.
        engine: Engine.
        dyno: Cell.
        session: Session.
        setup: Setup as the sheet says.
        fitted: Setup that was truly fitted.
        order: Run order in the session, from 1.
        started: Start, local time.
        air: Air of the cell at the start.
        notes: Operator's words.
        fault: What went wrong, None if nothing.
        samples: The log.
    """

    file: str
    engine: str
    dyno: str
    session: str
    setup: str
    fitted: str
    order: int
    started: datetime
    air: Ambient
    notes: str
    fault: Fault | None
    samples: pl.DataFrame


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
    pulls: tuple[DemoPull, ...]
    questions: tuple[Question, ...]
    truths: tuple[Truth, ...]
    noises: tuple[NoiseTruth, ...]

    def void_pulls(self) -> tuple[DemoPull, ...]:
        """Return the pulls that the operator aborted: to be excluded, with the note as reason."""
        return tuple(p for p in self.pulls if p.fault and p.fault.kind == "torque_collapse")


def demo_shop(seed: int = DEFAULT_SEED) -> DemoShop:
    """Simulate the demo shop; the same seed gives the same numbers."""
    sessions = [_open(day, seed, index) for index, day in enumerate(DAYS)]
    pulls = [
        pull
        for (session, rng), day in zip(sessions, DAYS, strict=True)
        for pull in _run_day(day, session, rng)
    ]
    by_name = {day.session: (day, opened[0]) for day, opened in zip(DAYS, sessions, strict=True)}
    truths = tuple(_answer(question, *by_name[question.session]) for question in QUESTIONS)
    return DemoShop(
        name=SHOP,
        seed=seed,
        pulls=tuple(pulls),
        questions=QUESTIONS,
        truths=truths,
        noises=tuple(_state_noise(*reference) for reference in REFERENCES),
    )


def _open(day: Day, seed: int, index: int) -> tuple[Session, np.random.Generator]:
    """Open a session with a stream of its own: a session added later changes no other."""
    rng = np.random.default_rng([seed, index])
    air = Ambient(
        pressure_kpa=round(_PRESSURE_KPA + _PRESSURE_SD_KPA * rng.standard_normal(), 2),
        temperature_c=round(_TEMPERATURE_C + _TEMPERATURE_SD_C * rng.standard_normal(), 1),
        relative_humidity_pct=round(rng.uniform(32.0, 52.0)),
    )
    return open_session(day.cell, day.engine, air, rng), rng


def _run_day(day: Day, session: Session, rng: np.random.Generator) -> list[DemoPull]:
    return [_run_pull(day, session, order, rng) for order in range(1, len(day.run) + 1)]


def _run_pull(day: Day, session: Session, order: int, rng: np.random.Generator) -> DemoPull:
    fitted, fault = day.run[order - 1], day.faults.get(order)
    start = datetime.fromisoformat(f"{day.date}T{_FIRST_PULL_HOUR:02d}:10:00")
    samples = simulate_pull(
        day.engine,
        SETUPS[fitted],
        session,
        order=order,
        rng=rng,
        faults=() if fault is None else (fault,),
    )
    return DemoPull(
        file=f"{day.session}-{order:02d}.csv",
        engine=day.engine.name,
        dyno=day.cell.name,
        session=day.session,
        setup=day.labels.get(order, fitted),
        fitted=fitted,
        order=order,
        started=start + timedelta(minutes=_MINUTES_BETWEEN_PULLS * (order - 1)),
        air=session.air,
        notes=day.notes.get(order, ""),
        fault=fault,
        samples=samples,
    )


def _answer(question: Question, day: Day, session: Session) -> Truth:
    quiet = quiet_session(day.cell, day.engine, session.air)
    return find_truth(day.engine, SETUPS[question.baseline], SETUPS[question.candidate], quiet)


def _state_noise(cell: Cell, engine: EngineSpec, setup: str) -> NoiseTruth:
    return find_noise_truth(
        engine,
        SETUPS[setup],
        cell,
        Ambient(pressure_kpa=_PRESSURE_KPA, temperature_c=_TEMPERATURE_C),
        pressure_sd_kpa=_PRESSURE_SD_KPA,
        temperature_sd_c=_TEMPERATURE_SD_C,
    )
