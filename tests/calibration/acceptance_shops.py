"""Simulated shops with known faults and known wrong labels, and what `check` finds in them.

Every pull goes the whole way: simulated log, file, ingest, warehouse, check.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

import dynostats as ds
from dynostats.analysis.acceptance import Acceptance
from dynostats.analysis.acceptance.mount import Mount
from dynostats.analysis.acceptance.signature import read_signatures
from dynostats.curves import curve_of, find_sweeps
from dynostats.simulate import (
    Ambient,
    Cell,
    Day,
    EngineSpec,
    Fault,
    LabelledPull,
    Setup,
    open_session,
    simulate_days,
    simulate_pull,
    write_log,
)
from dynostats.simulate.scenario import BRAKE, BREATHING_FOUR, DIESEL_FOUR, QUIET, TURBO_FIVE

RUNS = ("AAA", "ABBA", "ABA", "AA", "ABAB", "AA")
BASE = Setup(name="base")
# What the two cells' sheets may confuse: from hardly any mark in the channels to a plain one.
CHANGES: dict[str, tuple[Setup, ...]] = {
    "QB-21T": (
        *(Setup(name=f"core-{x:g}", cooler_resistance=x) for x in (1.04, 1.07, 1.1, 1.15, 1.25)),
        *(Setup(name=f"boost-{x:g}", boost=x) for x in (1.005, 1.01, 1.015, 1.03)),
        *(Setup(name=f"mixture-{x:g}", mixture=x) for x in (1.005, 1.01, 1.02)),
        *(Setup(name=f"fin-{x:g}", cooler_transfer=x) for x in (1.02, 1.04, 1.08)),
        Setup(name="deep-core", cooler_resistance=1.6, cooler_transfer=1.3),
    ),
    "QB-16N": (
        *(Setup(name=f"airbox-{x:g}", intake_resistance=x) for x in (0.97, 0.93, 0.85, 0.5)),
        *(Setup(name=f"timing-{x:g}", timing_deg=x) for x in (0.02, 0.05, 0.1, 0.5)),
        *(Setup(name=f"mixture-{x:g}", mixture=x) for x in (1.001, 1.002, 1.004, 1.01)),
    ),
    "QB-24C": (
        *(Setup(name=f"core-{x:g}", cooler_resistance=x) for x in (1.05, 1.1, 1.2, 1.4)),
        *(Setup(name=f"fuel-{x:g}", fuelling=x) for x in (1.003, 1.006, 1.01, 1.03)),
        *(Setup(name=f"boost-{x:g}", boost=x) for x in (1.003, 1.006, 1.01)),
    ),
}
MOUNTS: tuple[tuple[EngineSpec, Cell], ...] = (
    (TURBO_FIVE, BRAKE),
    (BREATHING_FOUR, QUIET),
    (DIESEL_FOUR, BRAKE),
)
ENGINES = {engine.name: (engine, cell) for engine, cell in MOUNTS}
PULLS_A_MOUNT = sum(len(run) for run in RUNS)


# What the shop never fitted on purpose: it stands for no setup known of the engine.
STRANGERS = {
    "QB-21T": Setup(name="stranger", cooler_transfer=0.7),
    "QB-16N": Setup(name="stranger", mixture=0.96),
    "QB-24C": Setup(name="stranger", cooler_transfer=0.7),
}


@dataclass(frozen=True, kw_only=True)
class Spoilt:
    """What is wrong with one pull of an engine.

    Args:
        place: Place of the pull among its engine's, from 0.
        fault: What goes wrong; None for nothing that the simulator knows.
        change: What else becomes of its log.
        stranger: Whether a part is fitted that is no known setup of the engine.
    """

    place: int
    fault: Fault | None = None
    change: Callable[[pl.DataFrame], pl.DataFrame] | None = None
    stranger: bool = False


@dataclass(frozen=True, kw_only=True)
class Shop:
    """What a shop is made of.

    Args:
        seed: Seed.
        changes: Second setup of each engine.
        spoilt: What is wrong, by engine.
        mislabelled: Places of pulls whose sheet names the engine's other setup, by engine.
    """

    seed: int
    changes: Mapping[str, Setup]
    spoilt: Mapping[str, tuple[Spoilt, ...]]
    mislabelled: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """A shop's pulls with what is true of them and what `check` says.

    Args:
        pulls: One row a pull: pull, file, engine, setup (on paper), fitted, state.
        found: The judgement.
    """

    pulls: pl.DataFrame
    found: Acceptance


def judge_shop(shop: Shop) -> Judged:
    """Simulate a shop, ingest its files and check them."""
    pulls = [pull for engine, cell in MOUNTS for pull in _simulate(shop, engine, cell)]
    with tempfile.TemporaryDirectory() as folder:
        files = Path(folder) / "pulls"
        files.mkdir()
        for pull in pulls:
            write_log(pull, files, each_lambda=True)
        pl.DataFrame([_sheet_row(pull) for pull in pulls]).write_csv(files / "sheet.csv")
        with ds.open_warehouse(Path(folder) / "shop.duckdb") as warehouse:
            warehouse.ingest(files)
            stored = warehouse.pulls().frame
            found = warehouse.check()
    truth = pl.DataFrame({"file": [p.file for p in pulls], "fitted": [p.fitted for p in pulls]})
    named = stored.select("pull", "file", "engine", "setup", "state")
    return Judged(pulls=named.join(truth, on="file"), found=found)


def _simulate(shop: Shop, engine: EngineSpec, cell: Cell) -> list[LabelledPull]:
    setups = {"A": BASE, "B": shop.changes[engine.name]}
    spoilt = shop.spoilt.get(engine.name, ())
    places = [(day, order) for day, run in enumerate(RUNS) for order in range(1, len(run) + 1)]
    faults: list[dict[int, Fault]] = [{} for _ in RUNS]
    labels: list[dict[int, str]] = [{} for _ in RUNS]
    runs = [[setups[letter] for letter in run] for run in RUNS]
    for one in spoilt:
        day, order = places[one.place]
        if one.fault is not None:
            faults[day][order] = one.fault
        if one.stranger:
            labels[day][order] = runs[day][order - 1].name
            runs[day][order - 1] = STRANGERS[engine.name]
    for place in shop.mislabelled.get(engine.name, ()):
        day, order = places[place]
        fitted = RUNS[day][order - 1]
        labels[day][order] = setups["B" if fitted == "A" else "A"].name
    days = [
        Day(
            session=f"{engine.name}-{number}",
            date=f"2025-03-{number + 1:02d}",
            cell=cell,
            engine=engine,
            run=tuple(runs[number]),
            faults=faults[number],
            labels=labels[number],
        )
        for number in range(len(RUNS))
    ]
    pulls = list(simulate_days(days, shop.seed * len(MOUNTS) + list(ENGINES).index(engine.name)))
    for one in spoilt:
        if one.change is not None:
            pull = pulls[one.place]
            pulls[one.place] = replace(pull, samples=one.change(pull.samples))
    return pulls


def _sheet_row(pull: LabelledPull) -> dict[str, object]:
    return {
        "file": pull.file,
        "engine": pull.engine,
        "dyno": pull.dyno,
        "session": pull.session,
        "setup": pull.setup,
        "order": pull.order,
        "ambient_pressure [kPa]": pull.air.pressure_kpa,
        "ambient_temperature [degC]": pull.air.temperature_c,
        "relative_humidity [%]": pull.air.relative_humidity_pct,
    }


@cache
def mark_of(engine_name: str, change: Setup) -> float:
    """Return how far a change moves the signature, in SDs of one pull's noise.

    Of the numbers of the signature the one that moves furthest counts, against the true noise of
    that number in one session: means and SDs of 60 simulated pulls each.
    """
    base, changed = (_signatures(engine_name, setup) for setup in (BASE, change))
    sd = np.sqrt((base.var(axis=0, ddof=1) + changed.var(axis=0, ddof=1)) / 2.0)
    return float(np.max(np.abs(changed.mean(axis=0) - base.mean(axis=0)) / sd))


@cache
def _signatures(engine_name: str, setup: Setup) -> np.ndarray:
    (engine, cell), count = ENGINES[engine_name], 60
    air = Ambient(pressure_kpa=99.2, temperature_c=24.0, relative_humidity_pct=40.0)
    session = open_session(cell, engine, air, np.random.default_rng(1))
    rng = np.random.default_rng([2, len(setup.name)])
    logs = [
        simulate_pull(engine, setup, session, order=1, rng=rng).drop("power") for _ in range(count)
    ]
    curves = [curve_of(log, find_sweeps(log).pulls[0]) for log in logs]
    rpm = np.unique(np.concatenate([curve["rpm"].to_numpy() for curve in curves]))
    channels = {
        name: np.array([_on_grid(curve, name, rpm) for curve in curves])
        for name in curves[0].columns
        if name != "rpm"
    }
    mount = Mount(
        engine=engine.name,
        dyno=cell.name,
        pulls=pl.DataFrame(
            {
                "ambient_pressure_kpa": [air.pressure_kpa] * count,
                "ambient_temperature_c": [air.temperature_c] * count,
            }
        ),
        accepted=np.ones(count, dtype=bool),
        rpm=rpm,
        channels=channels,
    )
    return read_signatures(mount).values


def _on_grid(curve: pl.DataFrame, name: str, rpm: np.ndarray) -> np.ndarray:
    values = np.full(len(rpm), np.nan)
    values[np.searchsorted(rpm, curve["rpm"].to_numpy())] = curve[name].to_numpy()
    return values


def plain_changes() -> dict[str, Setup]:
    """Return the last change of each engine; that of the diesel is hardly seen (3.5 SDs)."""
    return {name: changes[-1] for name, changes in CHANGES.items()}


def draw_changes(rng: np.random.Generator) -> dict[str, Setup]:
    """Return a change for each engine, drawn at random."""
    return {name: changes[rng.integers(len(changes))] for name, changes in CHANGES.items()}
