"""Merged statistics: equal to one pass over everything; sums of cells: equal to their contrasts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from studies import Day, curves_of, frames_of, history

from dynostats.analysis.cell_sums import between_sessions, sum_cells
from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.layers import split_layers
from dynostats.analysis.mergeable import merge_statistics
from dynostats.analysis.over_speed import sum_contrasts

# Mean and variance of these five are exact in binary: 3 and 10 / 5.
FIVE = [1.0, 2.0, 3.0, 4.0, 5.0]


def statistics_of(values, group="g"):
    """Return the statistics of pairs (x, y), shape (rows, 2), as a reduction gives them."""
    x, y = np.asarray(values, dtype=float).T
    return pl.DataFrame(
        {
            "group": [group],
            "n": [len(x)],
            "mean_x": [x.mean()],
            "mean_y": [y.mean()],
            "m2_x": [((x - x.mean()) ** 2).sum()],
            "m2_y": [((y - y.mean()) ** 2).sum()],
            "cross_x_y": [((x - x.mean()) * (y - y.mean())).sum()],
        }
    )


def test_parts_of_five_numbers_merge_to_their_mean_and_squares():
    parts = [statistics_of([(v, -v) for v in part]) for part in (FIVE[:2], FIVE[2:3], FIVE[3:])]
    merged = merge_statistics(parts, ["group"]).row(0, named=True)
    assert merged == {
        "group": "g",
        "n": 5,
        "mean_x": 3.0,
        "mean_y": -3.0,
        "m2_x": 10.0,
        "m2_y": 10.0,
        "cross_x_y": -10.0,
    }


def test_two_parts_merge_by_the_published_formula():
    # Chan, Golub & LeVeque (1983), equations 2.1a and 2.1b, written out for two parts.
    rng = np.random.default_rng(1)
    one, other = rng.normal(5.5, 0.004, (7, 2)), rng.normal(5.4, 0.004, (12, 2))
    a, b = (statistics_of(part).row(0, named=True) for part in (one, other))
    merged = merge_statistics([statistics_of(one), statistics_of(other)], ["group"])
    away = b["mean_x"] - a["mean_x"]
    m2 = a["m2_x"] + b["m2_x"] + away**2 * 7 * 12 / 19
    assert merged["m2_x"][0] == pytest.approx(m2, rel=1e-13)
    assert merged["mean_x"][0] == pytest.approx(a["mean_x"] + away * 12 / 19, rel=1e-14)


@pytest.mark.parametrize("level", [0.0, 5.5, 1e4])
def test_many_parts_in_any_order_equal_one_pass(level):
    rng = np.random.default_rng(2)
    values = rng.normal(0.0, 1.0, (5_000, 2)) @ [[1.0, 0.6], [0.0, 0.8]] + level
    cuts = np.sort(rng.choice(np.arange(1, 5_000), 60, replace=False))
    parts = [statistics_of(part) for part in np.split(values, cuts)]
    rng.shuffle(parts)
    merged, whole = merge_statistics(parts, ["group"]), statistics_of(values)
    for name in whole.columns[1:]:
        # What is left of 16 digits at a level of 10,000 SDs is 12 of a square.
        assert merged[name][0] == pytest.approx(whole[name][0], rel=1e-12), name


def test_groups_stay_apart_and_null_names_a_group_like_others():
    parts = [statistics_of([(1, 1), (3, 3)], group=name) for name in ("a", None, "a", None)]
    merged = merge_statistics(parts, ["group"])
    assert merged["group"].to_list() == ["a", None]
    assert merged["n"].to_list() == [4, 4]
    assert merged["m2_x"].to_list() == [4.0, 4.0]


def uneven():
    """Return two engines with drift, single pulls, missing places and uncovered speeds."""
    days = [
        *history(days=5, run="CCAB"),
        Day(run="ABBA", session="d1", shift=0.01),
        Day(run="AB", session="d2"),
        Day(run="A", session="d3"),
        Day(run="AABBC", session="e1", engine="other"),
        Day(run="CAB", session="e2", engine="other"),
        Day(run="AA", session="lone", engine="third"),
    ]
    curves = curve_set(*frames_of(*days, seed=3))
    logs, order = curves.log_torque.copy(), curves.order.copy()
    logs[1, :5] = np.nan
    logs[9, -3:] = np.nan
    order[13] = np.nan
    return replace(curves, log_torque=logs, order=order)


@pytest.mark.parametrize("eras", [False, True])
def test_sums_of_cells_are_the_sums_over_the_contrasts_of_the_layers(eras):
    curves = uneven()
    if eras:
        curves = replace(curves, era=["before" if i < 12 else "after" for i in range(len(curves))])
    layers, cells = split_layers(curves), sum_cells(curves)
    between = between_sessions(cells)
    found = {
        "pull": sum(cells.within[1:], start=cells.within[0]),
        "slope": cells.slope,
        "refit": between.refit,
        "session": sum_contrasts(between.session.curves),
    }
    for name, sums in found.items():
        expected = sum_contrasts(getattr(layers, name).curves)
        assert len(expected) > 0, name
        assert len(sums) == len(expected), name
        np.testing.assert_array_equal(sums.counts, expected.counts, err_msg=name)
        scale = np.abs(expected.products).max()
        np.testing.assert_allclose(sums.products, expected.products, atol=1e-12 * scale)
    np.testing.assert_allclose(
        np.sort(between.session.coefficient), np.sort(layers.session.coefficient), rtol=1e-11
    )


def test_the_order_of_the_pulls_changes_nothing():
    curves = uneven()
    turned = curves.take(np.random.default_rng(4).permutation(len(curves)))
    one, other = sum_cells(curves), sum_cells(turned)
    for sums, name in zip(one.within, one.engines, strict=True):
        again = other.within[other.engines.index(name)]
        np.testing.assert_allclose(again.products, sums.products, atol=1e-15)


def test_a_single_pull_has_no_sums():
    cells = sum_cells(curves_of(np.ones((1, 1)), session=["s"], setup=["A"]))
    assert (len(cells.within[0]), len(cells.slope)) == (0, 0)
    assert len(between_sessions(cells).session) == 0
