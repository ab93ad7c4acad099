"""Variance components beside a statsmodels loop, and the bootstrap against its time limit.

Run: OPENBLAS_NUM_THREADS=1 .venv/bin/python tests/benchmarks/bench_noise.py [--check]

Components: one setup in 25 sessions of 4 pulls on 101 speeds, no run order, so a balanced one-way
design at each speed. Two ways: the layers' mean squares and what they say of pull and session
variance, and one MixedLM fit by REML a speed. In a balanced design both estimate the same where
the session variance is positive (Searle, Casella & McCulloch 1992, Variance Components, 4.8, from
memory), so the estimates must agree wherever statsmodels converges; speeds where it does not, or
where the session variance is at its bound, are counted and left out. `learn_noise`, which goes on
to pool over speed and to estimate correlations, is timed with the layers for information. The
target is 300 times.

Bootstrap: `draw_errors`, 10,000 simulated studies on 90 speeds, of a study of 3 + 3 pulls, without
history, with 30 and 100 pulls of it, and on two days. The limit is 0.5 s.

Best of several runs each: other work on the machine only adds. With --check the exit status is 1
where a target or the agreement is missed.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from collections.abc import Callable
from itertools import repeat

import numpy as np
import statsmodels.api as sm

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.field import Target, draw_errors
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import NoiseModel, learn_noise

LEAST_TIMES_FASTER = 300.0
# statsmodels stops its search at a relative accuracy of about 1e-4.
MOST_APART = 1e-3
LIMIT_MS = 500.0
DRAWS = 10_000
PULL_SD = 0.004
SESSION_SD = 0.006


def best_ms(run: Callable[[], object], repeats: int) -> float:
    """Return the best time of several runs, ms."""
    times: list[float] = []
    for _ in repeat(None, repeats):
        begin = time.perf_counter()
        run()
        times.append((time.perf_counter() - begin) * 1000)
    return min(times)


def smooth(rng: np.random.Generator, curves: int, speeds: int) -> np.ndarray:
    """Return random curves of variance 1, neighbouring speeds alike, shape (curves, speeds)."""
    lag = np.subtract.outer(np.arange(speeds), np.arange(speeds))
    root = np.linalg.cholesky(np.exp(-0.5 * (lag / 6.0) ** 2) + 1e-6 * np.eye(speeds))
    return rng.standard_normal((curves, speeds)) @ root.T


def pulled(session: list[str], setup: list[str], *, speeds: int, seed: int) -> CurveSet:
    """Return pulls of one engine whose truth is PULL_SD and SESSION_SD; the run order unknown."""
    rng = np.random.default_rng(seed)
    names = sorted(set(session))
    days = SESSION_SD * smooth(rng, len(names), speeds)
    log_torque = 6.0 + days[[names.index(name) for name in session]]
    log_torque += PULL_SD * smooth(rng, len(session), speeds)
    return CurveSet(
        rpm=2_000.0 + 50.0 * np.arange(speeds),
        log_torque=log_torque,
        pull=[f"pull {row}" for row in range(len(session))],
        engine=["engine"] * len(session),
        session=session,
        setup=setup,
        order=np.full(len(session), np.nan),
    )


def sessions_of(count: int, pulls: int) -> list[str]:
    """Return session labels of a balanced history."""
    return [f"day {number:03d}" for number in range(count) for _ in range(pulls)]


def components(curves: CurveSet) -> np.ndarray:
    """Return pull and session variance at each speed from the layers, shape (2, speeds)."""
    layers = split_layers(curves)
    pull = (layers.pull.curves**2).mean(axis=0)
    session = (layers.session.curves**2).mean(axis=0)
    return np.array([pull, (session - pull) / layers.session.coefficient.mean()])


def mixed_components(curves: CurveSet) -> np.ndarray:
    """Return the same by a MixedLM fit a speed; NaN where it does not converge."""
    found = np.full((2, len(curves.rpm)), np.nan)
    percent = 100.0 * curves.log_torque  # its search is made for numbers of ordinary size
    for speed, values in enumerate(percent.T):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns where it does not converge; we look at that
            fit = sm.MixedLM(values, np.ones(len(values)), groups=curves.session).fit(reml=True)
        if fit.converged:
            found[:, speed] = fit.scale / 1e4, float(fit.cov_re[0, 0]) / 1e4
    return found


def measure_components() -> dict[str, object]:
    """Return times, their ratio and how far the estimates are apart."""
    session = sessions_of(25, 4)
    curves = pulled(session, ["reference"] * len(session), speeds=101, seed=1)
    ours, theirs = components(curves), mixed_components(curves)
    compared = np.isfinite(theirs[0]) & (ours[1] > 0.0) & (theirs[1] > 0.0)
    apart = np.abs(theirs[:, compared] / ours[:, compared] - 1.0)
    ours_ms = best_ms(lambda: components(curves), 30)
    nobody = np.zeros(len(curves), dtype=np.bool_)
    all_ms = best_ms(lambda: learn_noise(split_layers(curves), curves.rpm, own=nobody), 10)
    theirs_ms = best_ms(lambda: mixed_components(curves), 2)
    return {
        "layers_ms": ours_ms,
        "layers_and_learn_noise_ms": all_ms,
        "statsmodels_ms": theirs_ms,
        "times_faster": theirs_ms / ours_ms,
        "times_faster_with_learn_noise": theirs_ms / all_ms,
        "target_times_faster": LEAST_TIMES_FASTER,
        "speeds": len(curves.rpm),
        "speeds_compared": int(compared.sum()),
        "most_apart_pull": float(apart[0].max()),
        "most_apart_session": float(apart[1].max()),
        "target_most_apart": MOST_APART,
    }


def learned(history: list[str], study: list[str]) -> NoiseModel:
    """Return the noise of 3 + 3 pulls in the given sessions, with a history of a reference."""
    setup = ["reference"] * len(history) + ["baseline"] * 3 + ["candidate"] * 3
    curves = pulled(history + study, setup, speeds=90, seed=2)
    own = np.arange(len(curves)) >= len(history)
    return learn_noise(split_layers(curves), curves.rpm, own=own)


def measure_bootstrap() -> dict[str, object]:
    """Return the time of 10,000 simulated studies in each case."""
    together, apart = ["study"] * 6, ["monday"] * 3 + ["friday"] * 3
    cases = {
        "no history": (learned([], together), 0.0),
        "30 pulls": (learned(sessions_of(10, 3), together), 0.0),
        "100 pulls": (learned(sessions_of(25, 4), together), 0.0),
        "100 pulls, two days": (learned(sessions_of(25, 4), apart), 2.0),
    }
    times = {name: time_draws(noise, factor) for name, (noise, factor) in cases.items()}
    return {"ms": times, "worst_ms": max(times.values()), "limit_ms": LIMIT_MS}


def time_draws(noise: NoiseModel, session_factor: float) -> float:
    """Return the best time of the bootstrap, ms."""
    target = Target(
        functionals=np.full((2, len(noise.rpm)), 1.0 / len(noise.rpm)),
        pull_factor=2.0 / 3.0,
        upper_factors={
            "session": session_factor,
            "drift": 0.0,
            "refit": 2.0 * bool(session_factor),
        },
    )
    return best_ms(lambda: draw_errors(noise, target, draws=DRAWS, rng=np.random.default_rng(3)), 5)


def missed(components_found: dict[str, object], bootstrap: dict[str, object]) -> bool:
    """Say whether a target or the agreement is missed."""
    apart = max(components_found["most_apart_pull"], components_found["most_apart_session"])
    return (
        components_found["times_faster"] < LEAST_TIMES_FASTER
        or apart > MOST_APART
        or bootstrap["worst_ms"] > LIMIT_MS
    )


if __name__ == "__main__":
    result = {"components": measure_components(), "bootstrap": measure_bootstrap()}
    sys.stdout.write(json.dumps(result, indent=1) + "\n")
    sys.exit("--check" in sys.argv and missed(result["components"], result["bootstrap"]))
