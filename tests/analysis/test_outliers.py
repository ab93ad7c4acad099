from __future__ import annotations

import numpy as np
import pytest
from studies import laid_out, wiggle

from dynostats.analysis import outliers
from dynostats.analysis.outliers import find_outlying

RPM = np.arange(2000.0, 6001.0, 200.0)


def pulls_of(*layout, sd=0.004, seed=0, engine=None):
    rng = np.random.default_rng(seed)
    count = sum(len(run) for run in layout)
    sds = [sd] * count if np.isscalar(sd) else sd
    return laid_out(
        *layout, curves=np.array([wiggle(rng, RPM, one) for one in sds]), rpm=RPM, engine=engine
    )


def flagged(curves):
    return np.flatnonzero(find_outlying(curves)).tolist()


@pytest.mark.parametrize("fault", [-0.08, 0.08, "collapse"])
def test_one_bad_pull_is_flagged(fault):
    curves = pulls_of("AAAA", "BBBB", "ABAB")
    curves.log_torque[5] += np.where(RPM > 3500.0, -0.3, 0.0) if fault == "collapse" else fault
    assert flagged(curves) == [5]


@pytest.mark.parametrize("bad", [(4, 7), (5, 7), (7, 9)])
@pytest.mark.parametrize("faults", [(-0.10, 0.06), (-0.10, -0.09)])
def test_two_bad_pulls_of_six_are_both_flagged(bad, faults):
    curves = pulls_of("AAAA", "BBBBBB", "ABAB")
    for row, fault in zip(bad, faults, strict=True):
        curves.log_torque[row] += fault
    assert set(bad) <= set(flagged(curves))


def test_of_a_pair_both_are_flagged():
    curves = pulls_of("AAAA", "BBBB", "CC")
    curves.log_torque[8] += 0.1
    assert flagged(curves) == [8, 9]


def test_among_many_pulls_the_usual_spread_is_taken_from_some(monkeypatch):
    layout = ["ABABABAB"] * 50
    curves = pulls_of(*layout, seed=3)
    for row in (7, 150, 333):
        curves.log_torque[row] += 0.08
    whole = flagged(curves)
    monkeypatch.setattr(outliers, "MOST_FOR_TYPICAL", 60)
    assert whole == flagged(curves) == [7, 150, 333]


def test_engines_of_a_range_of_their_own_are_judged_by_all_of_their_pulls(monkeypatch):
    monkeypatch.setattr(outliers, "MOST_FOR_TYPICAL", 60)
    low, high = np.arange(len(RPM)) < 10, np.arange(len(RPM)) >= 10
    for seed in range(10):
        curves = pulls_of(*["ABABABAB"] * 202, seed=seed)
        curves.log_torque[:1600, high] = curves.log_torque[1600:, low] = np.nan
        curves.engine[1600:] = ["other"] * 16
        assert [row for row in flagged(curves) if row >= 1600] == []
        curves.log_torque[1607] += 0.08
        assert [row for row in flagged(curves) if row >= 1600] == [1607]


def test_clean_pulls_are_hardly_ever_flagged():
    # The limit is p = 1e-4 a pull and a tenfold variance; 200 warehouses of 24 pulls are 4,800
    # pulls, of which more than 4 flagged has probability 0.0002 at 1e-4 (Poisson, 0.48).
    layout = ["AAAA"] * 6
    found = sum(int(find_outlying(pulls_of(*layout, seed=seed)).sum()) for seed in range(200))
    assert found <= 4


def test_a_noisier_engine_is_not_outlying():
    layout = ["AAA"] * 4 + ["BBB"] * 4
    engine = ["quiet"] * 12 + ["rough"] * 12
    curves = pulls_of(*layout, sd=[0.001] * 12 + [0.01] * 12, engine=engine)
    assert flagged(curves) == []


def test_a_setup_or_a_day_that_differs_is_not_outlying():
    curves = pulls_of("AAAA", "BBBB", "ABAB")
    for row, (setup, session) in enumerate(zip(curves.setup, curves.session, strict=True)):
        curves.log_torque[row] += 0.3 * (setup == "B") + 0.2 * (session == "s1")
    assert flagged(curves) == []


def test_few_repeats_call_nothing_outlying():
    curves = pulls_of("AAA", "B")
    curves.log_torque[1] += 0.5
    assert flagged(curves) == []


def test_single_pulls_and_uncovered_speeds_are_harmless():
    curves = pulls_of("AAAA", "BBBB", "C", "D")
    curves.log_torque[2, RPM > 4000.0] = np.nan
    curves.log_torque[8] += 1.0
    assert flagged(curves) == []
    assert flagged(pulls_of("A", "B", "C")) == []
