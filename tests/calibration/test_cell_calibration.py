"""A quick look at what the full tables of reports/envelope.md and reports/monitor.md show."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from calibrate_envelope import FAULTS, Cell, as_markdown, cells, judge
from calibrate_monitor import DRAWS, steps_found
from envelope_world import World

from dynostats.analysis.monitor.changes import find_changes

pytestmark = pytest.mark.calibration

WORLDS = 16


def allowed(count, rate=0.05):
    """Return a count that a rate exceeds once in a thousand."""
    return int(binom.ppf(0.999, count, rate))


def test_clean_logs_are_seldom_called_outside_and_faults_are_found():
    cell = Cell(table="quick", what="3 pulls", world=World(reference=(3,), history=(3,) * 8))
    judged = [judge(cell, seed) for seed in range(WORLDS)]
    assert sum(one.outside for one in judged) <= allowed(WORLDS)
    large = [at for at, (_, factor, _) in enumerate(FAULTS) if not 0.95 < factor < 1.03]
    found = np.mean([[one.found[at] for at in large] for one in judged], axis=0)
    assert (found >= 0.75).all()
    assert "| 3 pulls |" in as_markdown({cell: judged}, WORLDS)


def test_every_row_of_the_table_is_a_different_shop():
    rows = cells()
    assert len({(cell.world, cell.runs) for cell in rows}) == len(rows) >= 15


@pytest.mark.parametrize("name", list(DRAWS)[:3])
def test_steady_cells_seldom_change(name):
    rng = np.random.default_rng(1)
    hits = sum(bool(find_changes(DRAWS[name](12, rng), alpha=0.05)) for _ in range(100))
    assert hits <= allowed(100)


def test_a_table_of_steps_is_made():
    lines = steps_found(3)
    assert len(lines) == 8
    assert lines[-1].startswith("| 40 sessions, step after 35 |")
