"""A lake reduced on this computer: whole, in parts, and concluded from."""

from __future__ import annotations

import shutil

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

import dynostats as ds
from dynostats.analysis.mergeable import CELL, merge_statistics, repeatability_of_lake
from dynostats.errors import AnalysisError
from dynostats.warehouse.lake import reductions

BY = {
    "setup_statistics": [*CELL, "rpm"],
    "channel_products": [*CELL, "rpm"],
    "curve_products": ["shop", "dyno", "engine", "rpm", "other_rpm"],
}


def equal(found, expected, by, *, rtol):
    """Assert that two results agree, row order aside.

    Sums of squares near zero are compared on the scale of their column.
    """
    found, expected = found.sort(by), expected.select(found.columns).sort(by)
    assert found.height > 0
    numbers = [c for c in found.columns if found[c].dtype.is_float() and c not in by]
    assert_frame_equal(found.drop(numbers), expected.drop(numbers))
    for name in numbers:
        scale = float(expected[name].abs().max())
        assert float((found[name] - expected[name]).abs().max()) <= rtol * scale, name


def parts_of(folder, to, *, by):
    """Copy a lake into several: one a value of an expression over its curves."""
    made = []
    with duckdb.connect() as connection:
        files = str(folder / "curves" / "**" / "*.parquet")
        rows = connection.read_parquet(files, hive_partitioning=True, union_by_name=True)
        rows.create_view("every")
        for (value,) in connection.sql(f"select distinct {by} from every").fetchall():
            part = to / f"part-{len(made)}"
            part.mkdir(parents=True)
            connection.sql("select * from every").filter(f"{by} = {value!r}").write_parquet(
                str(part / "curves"), partition_by=["shop", "dyno_key", "year"]
            )
            shutil.copytree(folder / "pulls", part / "pulls")
            made.append(part)
    return made


@pytest.mark.parametrize("name", ["setup_statistics", "channel_products"])
def test_parts_that_share_setups_and_sessions_merge_to_the_whole(lake_folder, tmp_path, name):
    # Parts by pull number: the pulls of one setup and session lie in three of them.
    parts = parts_of(lake_folder, tmp_path, by="cast(substr(pull, 2) as integer) % 3")
    assert len(parts) == 3
    merged = merge_statistics([ds.open_lake(part).reduce(name) for part in parts], BY[name])
    equal(merged, ds.open_lake(lake_folder).reduce(name), BY[name], rtol=1e-12)


@pytest.mark.parametrize("name", reductions())
def test_partitions_merge_to_the_whole(lake_folder, tmp_path, name):
    parts = parts_of(lake_folder, tmp_path, by="session")
    assert len(parts) >= 5
    merged = merge_statistics([ds.open_lake(part).reduce(name) for part in parts], BY[name])
    equal(merged, ds.open_lake(lake_folder).reduce(name), BY[name], rtol=1e-12)


def test_statistics_are_those_of_the_warehouse(lake_folder, warehouses):
    # Of the same query that a single warehouse answers about itself.
    lake = ds.open_lake(lake_folder).reduce("setup_statistics")
    for warehouse in warehouses:
        expected = warehouse.query("history_statistics").frame
        found = lake.join(expected.select("engine").unique(), on="engine", how="semi")
        found = found.rename({"n": "pulls"}).select(expected.columns)
        equal(found, expected, ["engine", "dyno", "session", "setup", "rpm"], rtol=1e-12)


def test_cross_products_give_the_regression_within_setup_and_session(lake_folder, warehouses):
    # Least squares of log torque on log boost by polars, pulls less the mean of their setup,
    # session and speed, against the slope of the summed products.
    rows = warehouses[1].query("regression_rows").frame
    rows = rows.filter(pl.col("log_lambda").is_not_null())
    cell = ["engine", "dyno", "session", "setup", "rpm"]
    away = rows.select(
        y=pl.col("log_torque") - pl.col("log_torque").mean().over(cell),
        x=pl.col("log_manifold_pressure") - pl.col("log_manifold_pressure").mean().over(cell),
    )
    slope = (away["x"] * away["y"]).sum() / (away["x"] ** 2).sum()
    sums = ds.open_lake(lake_folder).reduce("channel_products")
    sums = sums.join(rows.select("engine").unique(), on="engine", how="semi")
    found = sums["cross_log_torque_log_boost"].sum() / sums["m2_log_boost"].sum()
    assert sums["n"].sum() == rows.height
    assert found == pytest.approx(slope, rel=1e-9)


@pytest.mark.parametrize(("at", "dyno"), [(0, "cell-1"), (2, "north cell")])
def test_the_noise_from_merged_statistics_is_that_of_the_warehouse(
    lake_folder, warehouses, tmp_path, at, dyno
):
    expected = warehouses[at].repeatability(dyno=dyno)
    assert not any("Left out" in text for text in expected.warnings)
    engines = pl.col("engine").is_in(expected.groups["engine"].to_list())
    parts = [ds.open_lake(part) for part in parts_of(lake_folder, tmp_path, by="session")]
    merged = {
        name: merge_statistics([part.reduce(name) for part in parts], BY[name]).filter(engines)
        for name in ("setup_statistics", "curve_products")
    }
    found = repeatability_of_lake(merged["setup_statistics"], merged["curve_products"], dyno=dyno)
    assert found.session_df is not None
    assert_frame_equal(found.curve, expected.curve, rel_tol=1e-9)
    assert_frame_equal(found.groups.sort("engine"), expected.groups.sort("engine"), rel_tol=1e-8)
    for name in ("pull_df", "session_df", "pulls", "sessions", "engines"):
        assert getattr(found, name) == getattr(expected, name), name
    assert found.overall.pull_sd_pct == pytest.approx(expected.overall.pull_sd_pct, rel=1e-10)


def test_shops_pool_their_noise(lake_folder, warehouses):
    both = ds.open_lake(lake_folder).repeatability()
    alone = [warehouse.repeatability() for warehouse in warehouses]
    assert both.pulls == sum(one.pulls for one in alone)
    assert both.engines == sum(one.engines for one in alone)
    spread = [one.overall.pull_sd_pct for one in alone]
    assert min(spread) < both.overall.pull_sd_pct < max(spread)
    assert both.chart().to_dict()["layer"]


def test_a_scope_without_pulls_is_refused(lake_folder):
    with pytest.raises(AnalysisError, match="no accepted pull"):
        ds.open_lake(lake_folder).repeatability(engine="no such engine")
