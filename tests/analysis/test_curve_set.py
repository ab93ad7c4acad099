from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dynostats.analysis.curve_set import curve_set

RPM = [2000.0, 2050.0, 2100.0]
TORQUE = {3: [300.0, 310.0, 320.0], 1: [301.0, 311.0, 321.0], 2: [302.0, 312.0, 322.0]}


def pulls_of(*numbers):
    names = [f"P{number}" for number in numbers]
    labels = {name: ["x"] * len(names) for name in ("engine", "dyno", "session", "setup")}
    return pl.DataFrame({"pull": names, **labels, "order": range(1, len(names) + 1)})


def curves_of(*numbers):
    return pl.DataFrame(
        {
            "pull_no": pl.Series(np.repeat(numbers, len(RPM)), dtype=pl.Int32),
            "rpm": RPM * len(numbers),
            "torque": [value for number in numbers for value in TORQUE[number]],
        }
    )


def rows_by_pull(laid):
    return dict(zip(laid.pull, np.exp(laid.log_torque).round(9).tolist(), strict=True))


@pytest.mark.parametrize("order", [(1, 2, 3), (3, 1, 2)])
@pytest.mark.parametrize("rows", ["stored", "mixed", "named"])
def test_each_pull_has_its_own_torque_in_whatever_order(order, rows):
    curves = curves_of(1, 2, 3)
    if rows == "mixed":
        curves = curves[[4, 0, 8, 1, 3, 2, 7, 6, 5]]
    elif rows == "named":
        curves = curves.select(pl.format("P{}", "pull_no").alias("pull"), "rpm", "torque")
    laid = curve_set(pulls_of(*order), curves)
    assert laid.rpm.tolist() == RPM
    assert laid.pull == [f"P{number}" for number in order]
    assert rows_by_pull(laid) == {f"P{number}": TORQUE[number] for number in order}


@pytest.mark.parametrize("value", [None, 0.0, -5.0])
def test_torque_without_a_logarithm_is_not_covered(value):
    curves = curves_of(1, 2).with_columns(
        torque=pl.when((pl.col("pull_no") == 2) & (pl.col("rpm") == RPM[1]))
        .then(pl.lit(value, dtype=pl.Float64))
        .otherwise("torque")
    )
    laid = curve_set(pulls_of(1, 2), curves)
    assert np.isnan(laid.log_torque).tolist() == [[False] * 3, [False, True, False]]


def test_curves_of_other_pulls_are_left_out_though_as_many_were_asked_for():
    laid = curve_set(pulls_of(1, 2), curves_of(1, 3))
    assert np.exp(laid.log_torque[0]) == pytest.approx(TORQUE[1])
    assert np.isnan(laid.log_torque[1]).all()


def test_two_stretches_of_one_pull_are_not_taken_for_two_pulls():
    low, high = curves_of(1), curves_of(1).with_columns(pl.col("rpm") + 150.0)
    laid = curve_set(pulls_of(1, 2), pl.concat([low, high]))
    assert laid.rpm.tolist() == [*RPM, 2150.0, 2200.0, 2250.0]
    assert np.isfinite(laid.log_torque).sum(axis=1).tolist() == [6, 0]
