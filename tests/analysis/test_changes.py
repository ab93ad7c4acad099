"""Change points: exact small cases, known steps, and the chance of a false one."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import t as student_t

from dynostats.analysis.monitor.changes import (
    EXACT_UP_TO,
    find_changes,
    find_largest_step,
    measure_step,
)
from dynostats.analysis.monitor.study import least_sessions


def by_hand(values, least=2):
    """Return the p value of the largest standardised step by looking at every order."""

    def largest(order):
        order = np.array(order)
        count = len(order)
        best = 0.0
        for before in range(least, count - least + 1):
            step = order[:before].mean() - order[before:].mean()
            best = max(best, step**2 * before * (count - before) / count)
        return best

    seen = largest(values)
    orders = list(itertools.permutations(values))
    return sum(largest(order) >= seen - 1e-9 for order in orders) / len(orders)


@pytest.mark.parametrize("seed", range(4))
def test_small_cases_are_exact(seed):
    values = np.random.default_rng(seed).standard_normal(6).round(2)
    _, p_value = find_largest_step(values, np.random.default_rng(0))
    assert p_value == pytest.approx(by_hand(values.tolist()), abs=1e-12)


def test_the_smallest_p_is_two_orders_of_all():
    # 1, 2, 3, 4 before 11, 12, 13, 14: the extreme split in either direction, 2 x 4! x 4! of 8!.
    values = np.array([1.0, 2.0, 3.0, 4.0, 11.0, 12.0, 13.0, 14.0])
    place, p_value = find_largest_step(values, np.random.default_rng(0))
    assert place == 4
    assert p_value == pytest.approx(2.0 / 70.0, abs=1e-12)
    assert least_sessions(0.05) == len(values) == EXACT_UP_TO


@pytest.mark.parametrize(("alpha", "least"), [(0.05, 8), (0.025, 9), (0.01, 10), (0.2, 5)])
def test_how_many_sessions_a_change_needs(alpha, least):
    assert least_sessions(alpha) == least


def test_a_plain_step_is_found_where_it_is():
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 0.3, 24)
    values[15:] += 1.5
    (found,) = find_changes(values, alpha=0.05)
    assert found.place == 15
    assert found.p_value == pytest.approx(1e-4)  # the observed order alone, of 10,000


def test_two_steps_are_found_both():
    rng = np.random.default_rng(4)
    values = rng.normal(0.0, 0.2, 30)
    values[10:] += 1.5
    values[20:] += 1.5
    assert [found.place for found in find_changes(values, alpha=0.05)] == [10, 20]


def test_backward_in_time_the_place_is_mirrored():
    rng = np.random.default_rng(5)
    values = rng.normal(0.0, 0.3, 20)
    values[12:] -= 1.5
    (there,), (back,) = (find_changes(order, alpha=0.05) for order in (values, values[::-1]))
    assert back.place == 20 - there.place


def test_shift_and_scale_change_nothing():
    values = np.random.default_rng(6).standard_normal(12)
    values[6:] += 3.0
    assert find_changes(values, alpha=0.05) == find_changes(-7.0 * values + 3.0, alpha=0.05)


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0, 3.0], [5.0] * 12])
def test_nothing_is_found_where_nothing_can_be(values):
    assert find_changes(np.array(values), alpha=0.05) == ()


def test_one_odd_value_is_no_change():
    values = np.random.default_rng(7).normal(0.0, 0.3, 20)
    values[9] += 4.0
    assert find_changes(values, alpha=0.05) == ()


@pytest.mark.parametrize("count", [8, 15])
def test_the_chance_of_a_false_change_is_kept(count):
    rng = np.random.default_rng(8)
    studies = 200
    false = sum(bool(find_changes(rng.standard_t(4, count), alpha=0.05)) for _ in range(studies))
    # Permutation keeps it exactly; more than four standard errors above would be a fault.
    assert false / studies <= 0.05 + 4.0 * np.sqrt(0.05 * 0.95 / studies)
    if count > EXACT_UP_TO:
        assert false > 0


def test_the_size_of_a_step_is_that_of_a_two_sample_t():
    before, after = np.array([1.0, 2.0, 3.0]), np.array([5.0, 7.0])
    step, low, high = measure_step(before, after)
    pooled = np.sqrt((2.0 + 2.0) / 3.0 * (1 / 3 + 1 / 2))
    assert step == pytest.approx(4.0)
    assert high - step == pytest.approx(float(student_t.ppf(0.975, 3)) * pooled)
    assert step - low == pytest.approx(high - step)
    assert measure_step(before[:1], after[:1]) == (4.0, None, None)
