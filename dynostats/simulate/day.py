"""A day at a cell: which setup was pulled when, what the sheet says, what went wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from dynostats.simulate.cell import Cell, Session, open_session
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.faults import Fault
from dynostats.simulate.gas import Ambient
from dynostats.simulate.pull import simulate_pull
from dynostats.simulate.setup import Setup

PRESSURE_KPA, PRESSURE_SD_KPA = 99.2, 0.35
TEMPERATURE_C, TEMPERATURE_SD_C = 24.0, 0.8
_FIRST_PULL = "09:10:00"
_MINUTES_BETWEEN_PULLS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One session as it was run.

    Args:
        session: Name on the sheet.
        date: ISO date.
        cell: Where.
        engine: Which engine.
        run: Setup truly fitted at each pull, in run order.
        labels: What the sheet says instead, by run order.
        faults: What went wrong, by run order.
        notes: What the operator wrote, by run order.
    """

    session: str
    date: str
    cell: Cell
    engine: EngineSpec
    run: tuple[Setup, ...]
    labels: Mapping[int, str] = field(default_factory=dict[int, str])
    faults: Mapping[int, Fault] = field(default_factory=dict[int, Fault])
    notes: Mapping[int, str] = field(default_factory=dict[int, str])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelledPull:
    """One pull with what the sheet says of it and what is true.

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


def simulate_days(days: Sequence[Day], seed: int) -> tuple[LabelledPull, ...]:
    """Simulate every pull of a row of days, in order; the same seed gives the same numbers.

    The weather between days varies by `PRESSURE_SD_KPA` and `TEMPERATURE_SD_C`.
    """
    return tuple(
        pull
        for index, day in enumerate(days)
        for pull in _run_day(day, *open_day(day, seed, index))
    )


def open_day(day: Day, seed: int, index: int) -> tuple[Session, np.random.Generator]:
    """Open a session with a stream of its own: a session added later changes no other."""
    rng = np.random.default_rng([seed, index])
    air = Ambient(
        pressure_kpa=round(PRESSURE_KPA + PRESSURE_SD_KPA * rng.standard_normal(), 2),
        temperature_c=round(TEMPERATURE_C + TEMPERATURE_SD_C * rng.standard_normal(), 1),
        relative_humidity_pct=round(rng.uniform(32.0, 52.0)),
    )
    return open_session(day.cell, day.engine, air, rng), rng


def _run_day(day: Day, session: Session, rng: np.random.Generator) -> list[LabelledPull]:
    return [_run_pull(day, session, order, rng) for order in range(1, len(day.run) + 1)]


def _run_pull(day: Day, session: Session, order: int, rng: np.random.Generator) -> LabelledPull:
    fitted, fault = day.run[order - 1], day.faults.get(order)
    start = datetime.fromisoformat(f"{day.date}T{_FIRST_PULL}")
    samples = simulate_pull(
        day.engine,
        fitted,
        session,
        order=order,
        rng=rng,
        faults=() if fault is None else (fault,),
    )
    return LabelledPull(
        file=f"{day.session}-{order:02d}.csv",
        engine=day.engine.name,
        dyno=day.cell.name,
        session=day.session,
        setup=day.labels.get(order, fitted.name),
        fitted=fitted.name,
        order=order,
        started=start + timedelta(minutes=_MINUTES_BETWEEN_PULLS * (order - 1)),
        air=session.air,
        notes=day.notes.get(order, ""),
        fault=fault,
        samples=samples,
    )
