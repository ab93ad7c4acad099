"""Permutation max-t beside the bare matrix product and beside spm1d, in one run.

Run: OPENBLAS_NUM_THREADS=1 .venv/bin/python tests/benchmarks/bench_permutation.py [--check]

8 + 8 curves of 101 speeds: all 12,870 relabelings, of which one of each pair of opposites is
computed, and 10,000 drawn; 16 pairs: 10,000 drawn. The bare product is one call on ready labels of
the full shape, on one thread as ours is. It is timed in both layouts, labels @ curves and curves' @
labels', because the second is faster. All are run in turn, many times, and the best times are
compared: other work on the machine only adds.

spm1d is not a dependency. To compare with it, install it elsewhere and put it on the path:
    python3 -m venv /tmp/spm1d
    /tmp/spm1d/bin/pip install spm1d
    export PYTHONPATH=$(echo /tmp/spm1d/lib/python3.*/site-packages)
Without it the lines against it are null. Targets: at most 2 times the bare product labels @
curves; at least 100 times faster than spm1d's two-sample test, 50 times for pairs. With --check
the exit status is 1 where a measured target is missed.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import os
import sys
import time
from collections.abc import Callable

import numpy as np

from dynostats.analysis.permutation import flip_signs, permute_setups

SPEEDS = 101
RELABELINGS = 10_000
ALL_OF_8_AND_8 = 12_870
MOST_TIMES_BARE = 2.0
LEAST_TIMES_SPM1D = {"two_sample": 100.0, "paired": 50.0}
REPEATS = 300
SPM1D_REPEATS = 3

Work = dict[str, Callable[[], object]]


def smooth_curves(rng: np.random.Generator, pulls: int) -> np.ndarray:
    """Return random curves with neighbouring speeds alike, shape (pulls, SPEEDS)."""
    lag = np.subtract.outer(np.arange(SPEEDS), np.arange(SPEEDS))
    root = np.linalg.cholesky(np.exp(-0.5 * (lag / 6.0) ** 2) + 1e-6 * np.eye(SPEEDS))
    return 6.0 + 0.004 * rng.standard_normal((pulls, SPEEDS)) @ root.T


def best_ms(work: Work, repeats: int) -> dict[str, float]:
    """Run every piece of work in turn, many times; return the best time of each, ms."""
    times: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(repeats):
        for name, run in work.items():
            begin = time.perf_counter()
            run()
            times[name].append((time.perf_counter() - begin) * 1000)
    return {name: min(values) for name, values in times.items()}


def beside_bare(baseline: np.ndarray, candidate: np.ndarray, pairs: np.ndarray) -> dict[str, float]:
    """Time the three tests and the bare products of their shapes."""
    rng = np.random.default_rng(2)
    curves = np.vstack([baseline, candidate])
    work: Work = {
        "two_sample_exact": lambda: permute_setups(baseline, candidate),
        "two_sample_drawn": lambda: permute_setups(baseline, candidate, relabelings=RELABELINGS),
        "paired_drawn": lambda: flip_signs(pairs, relabelings=RELABELINGS),
    }
    for count in (RELABELINGS, ALL_OF_8_AND_8):
        labels = (rng.random((count, len(curves))) < 0.5).astype(np.float64)
        turned, across = np.ascontiguousarray(labels.T), np.ascontiguousarray(curves.T)
        work[f"bare_{count}"] = lambda labels=labels: labels @ curves
        work[f"bare_{count}_turned"] = lambda turned=turned, across=across: across @ turned
    return best_ms(work, REPEATS)


def beside_spm1d(
    baseline: np.ndarray, candidate: np.ndarray, pairs: np.ndarray
) -> dict[str, float] | None:
    """Time spm1d's non-parametric tests; None where it is not installed."""
    if importlib.util.find_spec("spm1d") is None:
        return None
    nonparam = importlib.import_module("spm1d").stats.nonparam
    zero = np.zeros_like(pairs)
    settings = {"alpha": 0.05, "two_tailed": True, "iterations": RELABELINGS}
    work: Work = {
        "two_sample": lambda: nonparam.ttest2(baseline, candidate).inference(**settings),
        "paired": lambda: nonparam.ttest_paired(pairs, zero).inference(**settings),
    }
    return best_ms(work, SPM1D_REPEATS)


def measure() -> dict[str, object]:
    """Return times, ratios and the targets they are held against."""
    rng = np.random.default_rng(1)
    curves = smooth_curves(rng, 8), smooth_curves(rng, 8), smooth_curves(rng, 16) - 6.0
    ours = beside_bare(*curves)
    theirs = beside_spm1d(*curves)
    drawn = {"two_sample": ours["two_sample_drawn"], "paired": ours["paired_drawn"]}
    bare = {
        "two_sample_exact": f"bare_{ALL_OF_8_AND_8}",
        "two_sample_drawn": f"bare_{RELABELINGS}",
        "paired_drawn": f"bare_{RELABELINGS}",
    }
    return {
        "best_ms": ours,
        "times_bare": {name: ours[name] / ours[of] for name, of in bare.items()},
        "times_bare_turned": {name: ours[name] / ours[f"{of}_turned"] for name, of in bare.items()},
        "target_times_bare": MOST_TIMES_BARE,
        "spm1d_ms": theirs,
        "faster_than_spm1d": theirs and {name: theirs[name] / drawn[name] for name in drawn},
        "target_faster_than_spm1d": LEAST_TIMES_SPM1D,
    }


def missed(measured: dict[str, object]) -> bool:
    """Say whether a measured target is missed."""
    faster = measured["faster_than_spm1d"] or {}
    slow = any(ratio > MOST_TIMES_BARE for ratio in measured["times_bare"].values())
    return slow or any(ratio < LEAST_TIMES_SPM1D[name] for name, ratio in faster.items())


if __name__ == "__main__":
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        sys.exit("run with OPENBLAS_NUM_THREADS=1, so that the bare product uses one thread too")
    result = measure()
    sys.stdout.write(json.dumps(result, indent=1) + "\n")
    sys.exit("--check" in sys.argv and missed(result))
