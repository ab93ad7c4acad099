"""Lazy frames and Arrow streams: what is not asked for does not leave the storage engine."""

from __future__ import annotations

import math
import sys

import polars as pl
import pyarrow as pa
import pytest
from cookbook_pulls import shop
from polars.testing import assert_frame_equal

import dynostats as ds
from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse import open_store
from dynostats.warehouse.scanning import _Reader


@pytest.fixture(scope="module")
def wh(tmp_path_factory):
    """A warehouse of ten pulls of two engines and more."""
    path = tmp_path_factory.mktemp("scan") / "shop.duckdb"
    with open_store(path, write=True) as store:
        store.add(shop())
    return ds.open_warehouse(path)


@pytest.fixture
def handed(monkeypatch):
    """Give the shape of every batch that leaves the engine: rows, names of columns."""
    seen = []
    read = _Reader.read_next_batch

    def spy(self):
        batch = read(self)
        seen.append((batch.num_rows, batch.schema.names))
        return batch

    monkeypatch.setattr(_Reader, "read_next_batch", spy)
    return seen


def test_only_the_columns_and_rows_asked_for_leave_the_engine(wh, handed):
    asked = (
        wh.scan("curves")
        .filter((pl.col("setup") == "deep") & (pl.col("rpm") >= 3000.0))
        .select("rpm", "torque")
    )
    assert handed == []  # lazy: nothing was read yet
    found = asked.collect()
    assert found.shape == (20, 2)
    assert sum(rows for rows, _ in handed) == 20
    # setup is needed by the filter, nothing else is.
    assert set(handed[0][1]) == {"setup", "rpm", "torque"}


def test_a_filter_the_engine_cannot_take_is_done_afterwards(wh):
    known = wh.scan("curves").collect()
    odd = pl.col("torque").sqrt().round() == 10
    assert_frame_equal(
        wh.scan("curves").filter(odd).collect(), known.filter(odd), check_row_order=False
    )
    named = pl.col("engine").is_in(["QB-2", "other"]) & (pl.col("rpm") < 2500.0)
    assert_frame_equal(
        wh.scan("curves").filter(named).collect(), known.filter(named), check_row_order=False
    )


def test_the_largest_few_are_right(wh):
    few = wh.scan("curves").filter(pl.col("rpm") == 2500.0).sort("torque", descending=True).head(2)
    assert few.collect()["torque"].to_list() == [110.0, 108.0]


def test_what_is_scanned_is_what_is_stored(wh):
    with open_store(wh.path) as store:
        curves = store.curves(channels=("torque", "charge_temperature"))
    scanned = (
        wh.scan("curves")
        .filter(pl.col("state") == "accepted")
        .select("pull", "rpm", "torque", "charge_temperature")
        .collect()
    )
    order = ["pull", "rpm"]
    assert_frame_equal(scanned.sort(order), curves.sort(order))
    samples = wh.scan("samples").group_by("pull").agg(pl.len()).collect()
    assert dict(samples.rows())["P1"] == 40
    assert wh.scan("pulls").collect().height == 10


def test_a_query_is_scanned_with_its_parameters(wh):
    lazy = wh.scan("session_noise", least_df=2)
    assert_frame_equal(lazy.collect(), wh.query("session_noise", least_df=2).frame)


def test_nothing_is_held_open(wh):
    lazy = wh.scan("curves")
    stream = wh.arrow("curves")
    lazy.head(1).collect()
    with open_store(wh.path, write=True, wait_s=0.0) as store:
        assert store.writable
    # Nine pulls with a curve of 40 speeds, one of them from its fifth on.
    assert pa.table(stream).num_rows == 9 * 40 - 4
    with open_store(wh.path, write=True, wait_s=0.0) as store:
        assert store.writable


def test_an_arrow_stream_is_read_by_others(wh):
    rows = wh.arrow("curves", columns=["pull", "torque"])
    table = pa.table(rows)
    assert table.schema.names == ["pull", "torque"]
    frame = pl.DataFrame(rows)
    assert_frame_equal(frame, wh.scan("curves").select("pull", "torque").collect())
    reader = rows.reader()
    assert isinstance(reader, pa.RecordBatchReader)
    assert sum(batch.num_rows for batch in reader) == frame.height
    noise = pl.DataFrame(wh.arrow("session_noise"))
    assert math.isclose(noise["pull_sd_pct"][0], wh.query("session_noise").frame["pull_sd_pct"][0])


def test_names_that_are_not_there_name_the_nearest(wh, tmp_path):
    with pytest.raises(InputError, match="nothing of that name to scan") as refused:
        wh.scan("curve")
    assert "Did you mean curves?" in refused.value.mend
    with pytest.raises(InputError, match="no column torqe") as refused:
        pa.table(wh.arrow("curves", columns=["torqe"]))
    assert "Did you mean torque?" in refused.value.mend
    with pytest.raises(InputError, match="has no parameter least"):
        wh.scan("session_noise", least=2)
    with pytest.raises(InputError, match="nothing of that name"):
        wh.scan("select 1")
    with pytest.raises(WarehouseError, match="no warehouse"):
        ds.open_warehouse(tmp_path / "none.duckdb").scan("curves")


def test_without_pyarrow_it_says_what_to_install(wh, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError, match="need pyarrow") as refused:
        wh.scan("curves")
    assert "pip install" in refused.value.mend
