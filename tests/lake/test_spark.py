"""The reductions on another engine, over the Spark Connect protocol, against DuckDB's numbers."""

from __future__ import annotations

import os

import pytest
from pysail.spark import SparkConnectServer
from test_lake import BY, equal

import dynostats as ds
from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse.lake import reductions
from dynostats.warehouse.spark import spark_statement


@pytest.fixture(scope="module")
def url():
    """Where a Spark Connect server answers: one of pysail, or the one named (on_real_spark.sh)."""
    if named := os.environ.get("DYNOSTATS_SPARK"):
        yield named
        return
    server = SparkConnectServer()
    server.start(background=True)
    yield f"sc://localhost:{server.listening_address[1]}"
    server.stop()


@pytest.mark.parametrize("name", reductions())
def test_a_distributed_engine_gives_the_numbers_of_duckdb(lake_folder, url, name):
    local = ds.open_lake(lake_folder).reduce(name)
    distributed = ds.open_lake(lake_folder, spark=url).reduce(name)
    assert distributed.schema == local.schema
    equal(distributed, local, BY[name], rtol=1e-10)


def test_the_noise_is_the_same_whatever_reduced_the_lake(lake_folder, url):
    local = ds.open_lake(lake_folder).repeatability()
    distributed = ds.open_lake(lake_folder, spark=url).repeatability()
    for name in local.curve.columns:
        away = (local.curve[name] - distributed.curve[name]).abs().max()
        assert away is None or away <= 1e-10 * local.curve[name].abs().max(), name
    assert distributed.pull_df == local.pull_df


def test_a_server_that_cannot_read_the_lake_says_so(tmp_path, url):
    with pytest.raises(WarehouseError, match="Spark could not answer") as refused:
        ds.open_lake(tmp_path / "nowhere", spark=url).reduce("setup_statistics")
    assert "nowhere" in refused.value.where


def test_an_unknown_reduction_is_refused_before_the_server_is_asked():
    with pytest.raises(InputError, match="no reduction of that name"):
        spark_statement("setup")
