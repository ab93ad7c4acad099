from __future__ import annotations

import polars as pl
import pytest
from plan_power import POWER, SCENES, Scene, page_of, row_of, simulate
from scipy.stats import binom

QUICK = 25


def test_a_planned_study_finds_what_it_was_planned_for():
    """reports/plan.md has the full size."""
    row = row_of(SCENES[0], QUICK)
    kept = row["found"] * QUICK
    assert kept >= binom.ppf(0.001, QUICK, POWER)
    assert 0.3 < row["median_promise_pct"] < 3.0
    assert row["lowest_promise_pct"] < row["median_promise_pct"] < row["highest_promise_pct"]


def test_without_a_past_the_assumed_noise_is_the_true_one():
    scene = Scene(run="ABBAABBA", past=0, shape="smooth")
    promises = [promise for promise, _ in simulate(scene, 2)]
    # Band mean SD 0.27% of the simulated pulls: 0.4% SD, 40% of the variance common to all speeds.
    assert promises == pytest.approx([0.83, 0.83], abs=0.02)


def test_the_table_to_read():

    row = {
        "scene": "ABBA",
        "studies": 10,
        "median_promise_pct": 1.0,
        "lowest_promise_pct": 0.5,
        "highest_promise_pct": 2.0,
        "found": 0.8,
        "low": 0.444,
        "high": 0.975,
    }
    assert "| ABBA | 1.00% (0.50 to 2.00%) | 80.0% (44.4% to 97.5%) |" in page_of(
        pl.DataFrame([row]), 10
    )
