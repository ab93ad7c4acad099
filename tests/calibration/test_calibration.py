from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest
from cells import DESIGNS, HISTORY, PULLS, SHAPES, Cell, choose_cells, pairs_of, sessions_of
from judge import EFFECTS, QUESTION, claims_falsely, judge, shifted, simulate
from rivals import HAS_SPM1D, claims_of, holm, long_runs
from run import fingerprint, judge_cell
from scipy.stats import binom, ttest_ind
from tables import exact_interval, table_of

from dynostats.analysis.conclude import conclude
from dynostats.analysis.effect import estimate_effect

pytestmark = pytest.mark.calibration

# A rate of 5% gives more than the allowed count in one run of a thousand. Of 150 studies 17 are
# allowed: a true rate of 12% fails six times in ten, one of 15% nine times in ten.
QUICK, FULL = 150, 2000
ONE_IN_A_THOUSAND = 0.999
PROMISE = Cell(pulls=2, history=30, design="blocks", shape="smooth")
QUICK_CELLS = [
    PROMISE,
    Cell(pulls=1, history=30, design="alternating", shape="heavy_tailed"),
    Cell(pulls=2, history=0, design="alternating", shape="smooth"),
    Cell(pulls=3, history=30, design="blocks", shape="drifting"),
    Cell(pulls=2, history=30, design="alternating", shape="rough"),
    Cell(pulls=5, history=8, design="blocks", shape="smooth"),
    Cell(pulls=3, history=30, design="different_sessions", shape="smooth"),
    Cell(pulls=8, history=100, design="different_sessions", shape="rpm_dependent"),
]


def pytest_generate_tests(metafunc):
    if "cell" in metafunc.fixturenames:
        full = metafunc.config.getoption("--full-calibration", default=False)
        cells = choose_cells() if full else QUICK_CELLS
        metafunc.parametrize("cell", cells, ids=lambda cell: cell.name)


@pytest.fixture(scope="session")
def studies(request):
    return FULL if request.config.getoption("--full-calibration", default=False) else QUICK


@cache
def judged_once(cell, studies):
    return judge(cell, studies, rivals=False)


def allowed(count, rate=0.05):
    return int(binom.ppf(ONE_IN_A_THOUSAND, count, rate))


def test_a_claim_is_wrong_at_most_as_often_as_it_says(cell, studies):
    counts = judged_once(cell, studies)
    judged = counts["dynostats", "interval"]
    assert judged + counts["dynostats", "no interval"] == studies
    assert counts["dynostats", "false claim 0"] <= allowed(studies)
    assert counts["dynostats", "not covered"] <= allowed(judged)
    assert counts["dynostats", "false no change 0.5"] <= allowed(studies)
    if cell.pulls > 1 and cell in QUICK_CELLS:
        assert judged == studies
    assert judged > 0 or cell not in QUICK_CELLS


def test_two_pulls_a_side_with_history_find_one_and_a_half_percent(studies):
    counts = judged_once(PROMISE, studies)
    assert counts["dynostats", "gain 1.5"] >= binom.ppf(1.0 - ONE_IN_A_THOUSAND, studies, 0.9)


def test_the_check_finds_a_method_that_is_wrong_too_often():
    cell = Cell(pulls=3, history=0, design="blocks", shape="rough")
    counts = judge(cell, QUICK)
    assert counts["t test a speed", "judged"] == QUICK
    assert counts["t test a speed", "false claim 0"] > allowed(QUICK)


@pytest.mark.parametrize(
    "lacking",
    [
        Cell(pulls=1, history=0, design="alternating", shape="smooth"),
        Cell(pulls=5, history=0, design="different_sessions", shape="smooth"),
    ],
    ids=lambda cell: cell.name,
)
def test_what_cannot_be_known_is_not_judged(lacking):
    counts = judge(lacking, 5, rivals=False)
    assert counts == {("dynostats", "no interval"): 5}


@pytest.mark.parametrize("name", ["1.5", "shaped"])
def test_an_effect_only_shifts_the_answer(name):
    options = {"baseline": "A", "candidate": "B", "alpha": QUESTION.alpha, "draws": 500, "seed": 1}
    everything, study = next(simulate(PROMISE, 1))
    asif = shifted(estimate_effect(everything, study, **options), study, EFFECTS[name])
    for curves in (everything, study):
        rows = np.array(curves.setup) == "B"
        curves.log_torque[rows] += np.log1p(EFFECTS[name] / 100.0)
    really = estimate_effect(everything, study, **options)
    # What the critical values are simulated from is the same; the simulation itself turns with
    # the last digit (eigenvectors of nearly equal eigenvalues), so its result is carried over.
    assert really.contrast.loadings.keys() == asif.contrast.loadings.keys()
    for layer, loading in really.contrast.loadings.items():
        assert np.allclose(asif.contrast.loadings[layer], loading, rtol=0, atol=1e-12)
    for layer in ("pull", "own", "drift"):
        before, after = getattr(asif.noise, layer), getattr(really.noise, layer)
        assert (before is None) == (after is None)
        if before is not None:
            assert np.allclose(before.variance, after.variance, rtol=1e-9)
            assert np.allclose(before.correlation, after.correlation, rtol=0, atol=1e-9)
    really = replace(
        really,
        draws=asif.draws,
        curve_factor=asif.curve_factor,
        means_factor=asif.means_factor,
        pointwise_factor=asif.pointwise_factor,
    )
    one, other = (conclude(effect, QUESTION, mean_kw=100.0) for effect in (asif, really))
    assert one.verdict == other.verdict
    assert one.overall.low_kw == pytest.approx(other.overall.low_kw, abs=1e-9)
    for bound in ("effect", "low", "high", "low_pointwise", "high_pointwise"):
        assert np.allclose(
            getattr(one.bounds, bound), getattr(other.bounds, bound), rtol=0, atol=1e-9
        )


def test_a_gain_claimed_where_there_is_none_is_false():
    everything, study = next(simulate(PROMISE, 1))
    effect = estimate_effect(
        everything, study, baseline="A", candidate="B", alpha=0.05, draws=500, seed=1
    )
    truth = EFFECTS["4"]
    found = conclude(shifted(effect, study, truth), QUESTION, mean_kw=100.0)
    assert found.verdict == "gain"
    assert not claims_falsely(found, truth)
    assert claims_falsely(found, EFFECTS["0"])
    assert claims_falsely(found, -truth)


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
    assert PROMISE in cells


def test_the_past_holds_the_pulls_it_says():
    for cell in choose_cells():
        sessions, engines = sessions_of(cell)
        assert len(sessions) == len(engines)
        assert sum(map(len, sessions)) == cell.history + 2 * cell.pulls


def test_the_t_test_of_the_rivals_is_the_library_s():
    rng = np.random.default_rng(5)
    before, after = rng.normal(size=(3, 40)), rng.normal(0.8, size=(3, 40))
    found = ttest_ind(after, before, axis=0)
    gain, loss = claims_of(before, after)["t test a speed"]
    assert gain.any()
    assert ((gain | loss) == (found.pvalue <= 0.05)).all()
    assert (found.statistic[gain] > 0).all()


def test_holm_stops_at_the_first_that_fails():
    # Holm (1979): 0.01 <= 0.05/4, 0.03 > 0.05/3, so 0.04 is not looked at though below 0.05.
    assert holm(np.array([0.04, 0.01, 0.03, 0.9]), 0.05).tolist() == [False, True, False, False]


def test_the_eye_sees_runs_of_200_rpm_only():
    flags = np.array([True] * 4 + [False] + [True] * 5)
    assert long_runs(flags).tolist() == [False] * 5 + [True] * 5


def test_exact_intervals_are_the_published_ones():
    # No event among n: the upper bound is 1 - (alpha / 2)^(1 / n); Clopper & Pearson (1934).
    assert exact_interval(0, 20) == pytest.approx((0.0, 1.0 - 0.025 ** (1.0 / 20.0)))
    assert exact_interval(20, 20) == pytest.approx((0.025 ** (1.0 / 20.0), 1.0))


def test_a_run_takes_up_only_what_the_same_code_left(tmp_path):
    cell = Cell(pulls=2, history=0, design="alternating", shape="smooth")
    first = judge_cell(cell, 3, tmp_path, fingerprint())
    (kept,) = tmp_path.iterdir()
    marked = kept.read_text("utf-8").replace('"studies": 3', '"studies": 3, "kept": true')
    kept.write_text(marked, encoding="utf-8")
    assert judge_cell(cell, 3, tmp_path, fingerprint()) == first
    assert kept.read_text("utf-8") == marked
    judge_cell(cell, 3, tmp_path, "other code")
    assert kept.read_text("utf-8") != marked


def test_the_table_has_a_row_a_scenario_and_method():
    cell = Cell(pulls=2, history=0, design="alternating", shape="smooth")
    table = table_of([(cell, judge(cell, 4))], 4)
    methods = ["dynostats", "overlay", "t test a speed", "t test, Holm"]
    assert table["method"].to_list() == methods + ["random field"] * HAS_SPM1D
    assert table["without_interval"].to_list() == [0.0] * table.height


def test_helpers_are_those_of_this_folder():
    here = Path(__file__).parent
    for name in ("cells", "judge", "rivals", "run", "tables"):
        assert Path(sys.modules[name].__file__).parent == here
