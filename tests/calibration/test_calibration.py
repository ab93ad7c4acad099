from __future__ import annotations

from itertools import combinations, product

import pytest
from cells import DESIGNS, HISTORY, PULLS, SHAPES, Cell, choose_cells, pairs_of
from judge import judge
from scipy.stats import binom

pytestmark = pytest.mark.calibration

# The quick size: enough that a false-claim rate of 12% instead of 5% fails nine times in ten.
STUDIES = 120
ONE_IN_A_THOUSAND = 0.999
QUICK = [
    Cell(pulls=1, history=30, design="alternating", shape="smooth"),
    Cell(pulls=2, history=0, design="alternating", shape="smooth"),
    Cell(pulls=3, history=30, design="blocks", shape="drifting"),
    Cell(pulls=2, history=30, design="alternating", shape="rough"),
    Cell(pulls=5, history=8, design="blocks", shape="smooth"),
    Cell(pulls=3, history=30, design="different_sessions", shape="smooth"),
    Cell(pulls=2, history=100, design="alternating", shape="rpm_dependent"),
]


def test_every_pair_of_levels_meets():
    cells = choose_cells()
    assert len(set(cells)) == len(cells) >= 60
    factors = [
        [("pulls", level) for level in PULLS],
        [("history", level) for level in HISTORY],
        [("design", level) for level in DESIGNS],
        [("shape", level) for level in SHAPES],
    ]
    wanted = {pair for one, two in combinations(factors, 2) for pair in product(one, two)}
    assert wanted == {pair for cell in cells for pair in pairs_of(cell)}


@pytest.mark.parametrize("cell", QUICK, ids=lambda cell: cell.name)
def test_a_claim_is_wrong_at_most_as_often_as_it_says(cell):
    counts = judge(cell, STUDIES, seed=7, draws=1000, rivals=False).counts
    judged = counts["dynostats", "interval"]
    assert judged == STUDIES
    # A rate of 5% gives more than this in one run of a thousand.
    allowed = int(binom.ppf(ONE_IN_A_THOUSAND, STUDIES, 0.05))
    assert counts["dynostats", "false claim"] <= allowed
    assert counts["dynostats", "not covered"] <= allowed
    assert counts["dynostats", "called no change at 0.5"] <= allowed


def test_two_pulls_a_side_with_history_find_one_and_a_half_percent():
    # Pull SD 0.4%, 30 past pulls, 2 + 2 pulls in one session: found at least nine times in ten.
    cell = Cell(pulls=2, history=30, design="alternating", shape="smooth")
    counts = judge(cell, STUDIES, seed=11, draws=1000, rivals=False).counts
    least = int(binom.ppf(1.0 - ONE_IN_A_THOUSAND, STUDIES, 0.9))
    assert counts["dynostats", "power 1.5"] >= least


def test_setups_that_never_met_and_no_repeated_days_are_not_judged():
    cell = Cell(pulls=5, history=0, design="different_sessions", shape="smooth")
    counts = judge(cell, 20, seed=3, draws=1000, rivals=False).counts
    assert counts["dynostats", "no interval"] == 20
