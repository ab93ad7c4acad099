"""Effects drawn toward their fellows."""

from __future__ import annotations

import numpy as np
import pytest

from dynostats.analysis.synthesis.random_effects import synthesise
from dynostats.analysis.synthesis.shrinkage import predict_next, shrink
from dynostats.errors import AnalysisError

# Eight schools: Rubin (1981), J. Educational Statistics 6:377, estimates and standard errors.
SCHOOLS = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
ERRORS = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])


def test_eight_schools_are_those_of_the_book():
    # Gelman, Carlin, Stern, Rubin (Bayesian Data Analysis, ch. 5) with a flat prior of the SD print
    # 2.5, 50 and 97.5% points from 200 draws: school A -2, 10, 31; C -11, 7, 19; E -9, 5, 14;
    # G -1, 10, 26 (from memory, so the tolerance is that of 200 draws).
    found = shrink(SCHOOLS, np.diag(ERRORS**2))
    assert found.mean.tolist() == pytest.approx([11.3, 7.9, 6.2, 7.6, 5.1, 6.1, 10.6, 8.4], abs=0.5)
    assert (found.low[0], found.high[0]) == pytest.approx((-2.0, 31.0), abs=2.5)
    assert (found.low[4], found.high[4]) == pytest.approx((-9.0, 14.0), abs=2.5)


def test_the_largest_is_drawn_in_and_the_order_of_equals_stays():
    effects = np.array([0.05, 0.01, 0.0, -0.01, 0.005])
    found = shrink(effects, np.diag(np.full(5, 0.02**2)))
    assert 0.0 < found.mean[0] < 0.05
    assert np.argsort(found.mean).tolist() == np.argsort(effects).tolist()
    assert np.all((found.weight >= 0.0) & (found.weight <= 1.0))


def test_sharp_estimates_stay_where_they_are():
    effects = np.array([0.05, 0.01, -0.03, 0.02])
    found = shrink(effects, np.diag(np.full(4, 1e-5**2)))
    assert found.mean.tolist() == pytest.approx(effects.tolist(), abs=1e-6)
    assert (found.high - found.low).tolist() == pytest.approx([2 * 1.95996e-5] * 4, rel=1e-2)


def test_changing_the_sign_of_all_changes_nothing_else():
    one = shrink(SCHOOLS, np.diag(ERRORS**2))
    other = shrink(-SCHOOLS, np.diag(ERRORS**2))
    assert other.mean.tolist() == pytest.approx((-one.mean).tolist(), rel=1e-9)
    assert other.low.tolist() == pytest.approx((-one.high).tolist(), rel=1e-6)
    assert other.positive.tolist() == pytest.approx((1.0 - one.positive).tolist(), rel=1e-6)


def test_the_next_study_is_no_surer_than_the_usual_interval_and_agrees_with_many():
    usual = synthesise(SCHOOLS, np.diag(ERRORS**2)).prediction
    low, high = predict_next(SCHOOLS, np.diag(ERRORS**2))
    assert low < usual[0] < usual[1] < high
    many = np.random.default_rng(4).normal(0.01, 0.02, 200)
    known = np.diag(np.full(200, 0.001**2))
    wide = predict_next(many, known)
    assert wide == pytest.approx(synthesise(many, known).prediction, abs=0.0015)


@pytest.mark.parametrize("function", [shrink, predict_next])
def test_two_studies_have_no_fellows(function):
    with pytest.raises(AnalysisError, match="at least 3"):
        function(np.zeros(2), np.eye(2))
