"""Sums over clusters, taken in the database, beside the same sums in numpy."""

from __future__ import annotations

from itertools import combinations_with_replacement

import duckdb
import numpy as np
import pytest

from dynostats.warehouse.sums import sum_rows

ROWS = """
    select
        i // 5 as pull,
        'day ' || i // 20 as session,
        i * 0.25 as x,
        1000 + sin(i) as y,
        {hole} as z,
    from range(60) as numbers (i)
"""


def summed(hole, **options):
    rows = duckdb.connect().sql(ROWS.format(hole=hole))
    return sum_rows(rows, columns=["x", "z"], response="y", cluster="pull", **options)


def expected(found, pull, kept):
    """Return a cluster's sums, by the columns as they were made."""
    i = np.arange(60.0)
    inside = (np.arange(60) // 5 == pull) & kept
    columns = np.column_stack((i * 0.25, i % 7, 1000 + np.sin(i))) - np.array(found.centres)
    whole = np.column_stack((np.ones(60), columns))[inside]
    return [
        float(whole[:, left] @ whole[:, right])
        for left, right in combinations_with_replacement(range(4), 2)
    ]


@pytest.mark.parametrize(
    ("hole", "left_out"),
    [
        ("i % 7", 0),
        ("if(i = 8, null, i % 7)", 1),
        ("if(i = 8, 'nan'::double, i % 7)", 1),
        ("if(i = 8, 'inf'::double, i % 7)", 1),
        ("case when i = 8 then 'inf'::double when i = 9 then '-inf'::double else i % 7 end", 2),
    ],
)
def test_rows_that_miss_a_number_are_left_out_of_every_sum(hole, left_out):
    found = summed(hole)
    kept = ~np.isin(np.arange(60), [8, 9][:left_out])
    assert found.left_out == left_out
    assert found.frame["rows"].sum() == 60 - left_out
    for row in found.frame.iter_rows(named=True):
        got = [row[f"s{at}"] for at in range(10)]
        assert got == pytest.approx(expected(found, row["cluster"], kept), rel=1e-12, abs=1e-9)


def test_each_cluster_keeps_the_level_it_lies_in():
    frame = summed("i % 7", level="session").frame
    assert frame.columns[:3] == ["cluster", "level", "rows"]
    assert frame.height == 12
    days = {f"day {pull // 4}" for pull in frame["cluster"]}
    assert set(frame["level"]) == days == {"day 0", "day 1", "day 2"}


def test_a_row_without_a_cluster_is_left_out():
    rows = duckdb.connect().sql(
        "select if(i = 3, null, i // 5) as pull, i as x, i * i as y from range(20) as n (i)"
    )
    found = sum_rows(rows, columns=["x"], response="y", cluster="pull")
    assert found.left_out == 1
    assert found.frame["cluster"].null_count() == 0
