"""What is true of two setups: the effect without noise, and its split by cause."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from math import factorial

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.simulate.cell import Session
from dynostats.simulate.engine import EngineSpec
from dynostats.simulate.full_load import Charge, EngineState, run_with_charge
from dynostats.simulate.pull import plan_sweep, run_sweep
from dynostats.simulate.setup import Setup

CAUSES = ("boost", "charge_temperature", "mixture", "rest")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """The true effect of a change, candidate minus baseline.

    Args:
        engine: Engine.
        baseline: Baseline setup.
        candidate: Candidate setup.
        effect_pct: Mean over the band of the effect in percent of the baseline.
        effect_kw: Mean over the band of the effect in kW.
        parts_log_pct: Mean over the band of each cause's part, 100 x log; they add up to the mean
            of 100 x log(candidate / baseline).
        curve: One row a speed: rpm, baseline_nm, candidate_nm, baseline_kw, candidate_kw,
            effect_pct, and boost, charge_temperature, mixture, rest in 100 x log.
    """

    engine: str
    baseline: str
    candidate: str
    effect_pct: float
    effect_kw: float
    parts_log_pct: dict[str, float]
    curve: pl.DataFrame

    def to_dict(self) -> dict[str, object]:
        """Return the truth as plain values, the curve as lists."""
        return {
            "engine": self.engine,
            "baseline": self.baseline,
            "candidate": self.candidate,
            "effect_pct": round(self.effect_pct, 6),
            "effect_kw": round(self.effect_kw, 6),
            "parts_log_pct": {name: round(part, 6) for name, part in self.parts_log_pct.items()},
            "curve": self.curve.select(pl.all().round(6)).to_dict(as_series=False),
        }


def find_truth(
    engine: EngineSpec, baseline: Setup, candidate: Setup, session: Session, *, step_rpm: float = 50
) -> Truth:
    """Find the true effect of a change, by speed and over the engine's whole band.

    Both setups are swept once without noise, first pull of the day, in the session's air. The
    split takes manifold pressure, charge temperature, mixture and all else from one setup or the
    other in every combination and averages each cause's step over all orders (Shapley value).

    Args:
        engine: The engine.
        baseline: The setup before.
        candidate: The setup after.
        session: Cell and air.
        step_rpm: Distance of the speeds reported.

    Source:
        Shapley, A value for n-person games, 1953.
    """
    before = _quiet_state(baseline.fit(engine), session, step_rpm)
    after = _quiet_state(candidate.fit(engine), session, step_rpm)
    parts = _split(engine, session, (baseline, before), (candidate, after))
    ratio = after.torque_nm / before.torque_nm
    effect_pct = 100.0 * (ratio - 1.0)
    curve = pl.DataFrame(
        {
            "rpm": before.rpm,
            "baseline_nm": before.torque_nm,
            "candidate_nm": after.torque_nm,
            "baseline_kw": before.power_kw(),
            "candidate_kw": after.power_kw(),
            "effect_pct": effect_pct,
        }
        | dict(zip(CAUSES, 100.0 * parts, strict=True))
    )
    return Truth(
        engine=engine.name,
        baseline=baseline.name,
        candidate=candidate.name,
        effect_pct=float(effect_pct.mean()),
        effect_kw=float((after.power_kw() - before.power_kw()).mean()),
        parts_log_pct=dict(zip(CAUSES, (100.0 * parts.mean(axis=1)).tolist(), strict=True)),
        curve=curve,
    )


def _quiet_state(fitted: EngineSpec, session: Session, step_rpm: float) -> EngineState:
    """Sweep once without noise and read the state at round speeds."""
    rate = session.cell.sweep_rate_rpm_s
    cell = replace(session.cell, sample_rate_hz=rate / step_rpm, lead_s=0.0, tail_s=0.0)
    sweep = plan_sweep(fitted, cell)
    return run_sweep(fitted, session, sweep, session.medium_start_c(1))[0]


def _split(
    engine: EngineSpec,
    session: Session,
    before: tuple[Setup, EngineState],
    after: tuple[Setup, EngineState],
) -> Floats:
    """Return the Shapley parts of log torque, shape (causes, n)."""
    sides = (before, after)
    worth: dict[tuple[int, ...], Floats] = {
        choice: _log_torque(engine, session, sides, choice)
        for choice in product((0, 1), repeat=len(CAUSES))
    }
    return np.array([_average_step(worth, cause) for cause in range(len(CAUSES))])


def _average_step(worth: dict[tuple[int, ...], Floats], cause: int) -> Floats:
    total = np.zeros_like(next(iter(worth.values())))
    count = len(CAUSES)
    for choice, value in worth.items():
        if choice[cause] == 0:
            size = sum(choice)
            weight = factorial(size) * factorial(count - size - 1) / factorial(count)
            with_cause = (*choice[:cause], 1, *choice[cause + 1 :])
            total += weight * (worth[with_cause] - value)
    return total


def _log_torque(
    engine: EngineSpec,
    session: Session,
    sides: tuple[tuple[Setup, EngineState], tuple[Setup, EngineState]],
    choice: tuple[int, ...],
) -> Floats:
    boost, temperature, mixture, rest = (sides[side] for side in choice)
    others: Charge = rest[1].charge
    charge = replace(
        others,
        manifold_kpa=boost[1].charge.manifold_kpa,
        temperature_c=temperature[1].charge.temperature_c,
        lam=mixture[1].charge.lam,
    )
    fitted = rest[0].fit(engine)
    return np.log(run_with_charge(fitted, rest[1].rpm, session.air, charge).torque_nm)
