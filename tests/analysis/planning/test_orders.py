from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from dynostats.analysis.planning.orders import draw_orders


def place_difference(order):
    """Mean place of B less mean place of A: what a linear drift adds to the difference."""
    places = {letter: [at for at, x in enumerate(order) if x == letter] for letter in "AB"}
    return np.mean(places["B"]) - np.mean(places["A"])


@pytest.mark.parametrize("sessions", [1, 2, 3])
@pytest.mark.parametrize("pulls", range(1, 9))
def test_both_setups_are_pulled_alike_in_every_session(pulls, sessions):
    for seed in range(20):
        orders = draw_orders(pulls, sessions, np.random.default_rng(seed))
        assert len(orders) == sessions
        assert all(Counter(order) == {"A": pulls, "B": pulls} for order in orders)
        assert orders[0][0] == "A"


@pytest.mark.parametrize("pulls", [2, 4, 6, 8])
def test_a_linear_drift_cancels(pulls):
    for seed in range(20):
        for order in draw_orders(pulls, 2, np.random.default_rng(seed)):
            assert place_difference(order) == 0


@pytest.mark.parametrize("pulls", [1, 3, 5, 7])
def test_an_odd_number_leaves_one_pair_at_most(pulls):
    for seed in range(20):
        for order in draw_orders(pulls, 2, np.random.default_rng(seed)):
            assert abs(place_difference(order)) == pytest.approx(1 / pulls)


@pytest.mark.parametrize("pulls", [1, 3])
def test_over_two_sessions_the_odd_pairs_cancel(pulls):
    first, second = draw_orders(pulls, 2, np.random.default_rng(4))
    assert place_difference(first) == pytest.approx(-place_difference(second))


def test_the_seed_decides():
    orders = [draw_orders(8, 1, np.random.default_rng(seed)) for seed in (5, 5, 6, 7, 8)]
    assert orders[0] == orders[1]
    assert len(set(orders)) > 2


def test_later_blocks_are_drawn_evenly():
    second = Counter(draw_orders(4, 1, np.random.default_rng(seed))[0][4:] for seed in range(400))
    # Binomial, 400 fair draws: 4.4 standard deviations of 10 either side.
    assert set(second) == {tuple("ABBA"), tuple("BAAB")}
    assert abs(second[tuple("ABBA")] - 200) < 44
