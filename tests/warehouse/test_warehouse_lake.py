"""A lake: what is written, where, whatever the names are; and how it refuses."""

from __future__ import annotations

import re
import shutil
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest
from cookbook_pulls import HOT
from made_pulls import make_pull

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse import export, export_lake, open_store
from dynostats.warehouse.lake import opened_lake, reduce_lake, reduction, reductions

HOSTILE = [
    "../../etc",
    "a/b\\c",
    'it\'s 100% "cell" = x',
    "ünïcödé 第1",
    "__HIVE_DEFAULT_PARTITION__",
    "null",
    "0012",
    "2025-01-01",
    "*?[a]",
    " ",
    "x" * 300,
    "Cell 1",
    "cell 1",
    "drop table pulls; --",
]


def at(*when: int) -> datetime:
    return datetime(*when)  # noqa: DTZ001 - the shop's clock


def lake_of(path: Path, to: Path) -> pl.DataFrame:
    export_lake(path, to)
    with opened_lake(to) as lake:
        return pl.DataFrame(lake.sql("select * from lake_pulls order by pull_no"))


def test_the_lake_holds_every_pull_and_curve_under_its_own_labels(filled, tmp_path):
    pulls = lake_of(filled, tmp_path / "lake")
    with open_store(filled) as store, opened_lake(tmp_path / "lake") as lake:
        stored = store.pulls()
        curves = store.curves(stored["pull"].to_list(), channels=("torque", "power"))
        there = pl.DataFrame(
            lake.sql("select pull, rpm, torque, power from lake_curves order by pull, rpm")
        )
    same = [c for c in pulls.columns if c in stored.columns]
    assert len(same) >= 15
    assert pulls.select(same).equals(stored.select(same))
    assert there.equals(curves)


def test_a_name_of_any_kind_comes_back_as_it_was(path, tmp_path):
    with open_store(path, write=True) as store:
        store.add(
            [
                make_pull(f"{i}.csv", torque=300.0 + i, dyno=dyno, session=dyno, setup=dyno)
                for i, dyno in enumerate([*HOSTILE, None])
                if dyno is not None
            ]
        )
        store.add([make_pull("none.csv", torque=299.0, dyno=None)])
    pulls = lake_of(path, tmp_path / "lake")
    assert pulls["dyno"].to_list() == [*HOSTILE, None]
    assert pulls["dyno_key"].n_unique() == len(HOSTILE) + 1  # none shares a folder with another
    places = [p.relative_to(tmp_path / "lake") for p in (tmp_path / "lake").rglob("*.parquet")]
    plain = re.compile(r"(pulls|curves)/shop=s-[0-9a-f]{16}/dyno_key=[a-z0-9-]{4,40}/year=\d{4}/")
    assert len(places) == 2 * (len(HOSTILE) + 1)
    assert all(plain.match(place.as_posix()) for place in places)
    # Nothing lies beside the lake, and another reader finds the same types in the path.
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lake", "shop.duckdb"]
    frame = pl.scan_parquet(tmp_path / "lake" / "pulls", hive_partitioning=True).collect()
    assert frame.schema["dyno_key"] == pl.String
    assert frame.schema["year"] == pl.Int64


def test_a_session_lies_whole_in_the_year_it_began_in(path, tmp_path):
    with open_store(path, write=True) as store:
        store.add(
            [
                make_pull("a.csv", torque=300.0, started=at(2024, 12, 31, 23, 50)),
                make_pull("b.csv", torque=301.0, started=at(2025, 1, 1, 0, 10)),
                make_pull("c.csv", torque=302.0),
                make_pull("d.csv", torque=303.0, session="undated"),
            ]
        )
    pulls = lake_of(path, tmp_path / "lake")
    assert pulls["year"].to_list()[:3] == [2024, 2024, 2024]
    assert pulls["year"][3] == pulls["stored_at"][3].year
    assert pulls["started"].to_list()[2:] == [None, None]


def test_warehouses_lie_in_one_lake_side_by_side(filled, tmp_path):
    other = tmp_path / "other.duckdb"
    with open_store(other, write=True) as store:
        store.add([make_pull("run1.csv", torque=300.0, order=1, dyno="cell 1")])
    lake = tmp_path / "lake"
    export_lake(filled, lake)
    export_lake(other, lake)
    with opened_lake(lake) as opened:
        rows = pl.DataFrame(opened.sql("select shop, pull from lake_pulls"))
    assert rows.height == 6
    assert rows["shop"].n_unique() == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lake", "other.duckdb", "shop.duckdb"]
    with pytest.raises(InputError, match="holds an export of this warehouse already"):
        export_lake(other, lake)
    with opened_lake(lake) as opened:
        assert opened.sql("select * from lake_pulls").fetchall().__len__() == 6


def test_a_warehouse_keeps_its_key_as_it_grows_and_when_it_is_copied(filled, tmp_path):
    one = lake_of(filled, tmp_path / "one")["shop"][0]
    with open_store(filled, write=True) as store:
        store.add([make_pull("more.csv", torque=305.0)])
    copy = shutil.copy(filled, tmp_path / "copy.duckdb")
    assert lake_of(Path(copy), tmp_path / "two")["shop"].unique().to_list() == [one]


def test_the_dictionary_says_what_every_column_is(filled, tmp_path):
    export_lake(filled, tmp_path / "lake")
    told = pl.read_csv(tmp_path / "lake" / "dictionary.csv")
    with opened_lake(tmp_path / "lake") as lake:
        for table in ("pulls", "curves"):
            rows = lake.sql(f"select * from lake_{table}")
            found = dict(zip(rows.columns, (str(t).lower() for t in rows.types), strict=True))
            listed = told.filter(table=table)
            assert dict(listed.select("column", "type").rows()) == found
            assert listed["column"].is_unique().all()
    units = dict(told.filter(table="curves").select("column", "unit").rows())
    assert units["torque"] == "N.m"
    assert units["manifold_pressure"] == "kPa absolute"
    assert units["rpm"] == "rpm"


def test_only_an_empty_folder_or_a_lake_is_written_into(filled, tmp_path):
    folder = tmp_path / "thesis"
    folder.mkdir()
    (folder / "mine.docx").write_text("mine")
    with pytest.raises(InputError, match="neither empty nor a lake"):
        export_lake(filled, folder)
    assert [p.name for p in folder.iterdir()] == ["mine.docx"]
    export(filled, tmp_path / "tables")
    with pytest.raises(InputError, match="neither empty nor a lake"):
        export_lake(filled, tmp_path / "tables")


def test_an_export_that_fails_leaves_nothing(filled, tmp_path, monkeypatch):
    def full(*_args, **_options):
        raise duckdb.IOException("No space left on device")

    monkeypatch.setattr(duckdb.DuckDBPyRelation, "write_parquet", full)
    with pytest.raises(WarehouseError, match="disk is full"):
        export_lake(filled, tmp_path / "lake")
    assert [p.name for p in tmp_path.iterdir()] == ["shop.duckdb"]


def test_an_empty_warehouse_is_no_lake(path, tmp_path):
    open_store(path, write=True).close()
    with pytest.raises(WarehouseError, match="nothing to put into a lake"):
        export_lake(path, tmp_path / "lake")
    assert [p.name for p in tmp_path.iterdir()] == ["shop.duckdb"]


def test_what_is_no_lake_is_said_to_be_none(tmp_path):
    with pytest.raises(InputError, match="no lake here"):
        reduce_lake(tmp_path, "setup_statistics")
    for table in ("pulls", "curves"):
        place = tmp_path / table / "shop=s-1"
        place.mkdir(parents=True)
        (place / "data_0.parquet").write_text("not parquet")
    with pytest.raises(WarehouseError, match="could not be read"):
        reduce_lake(tmp_path, "setup_statistics")


def test_an_unknown_reduction_names_the_nearest():
    with pytest.raises(InputError, match="no reduction of that name") as refused:
        reduction("setup_statistic")
    assert "Did you mean setup_statistics?" in refused.value.mend
    assert reductions() == ("channel_products", "curve_products", "setup_statistics")


def test_the_reductions_leave_out_excluded_pulls_and_torque_below_zero(path, tmp_path):
    with open_store(path, write=True) as store:
        store.add(
            [
                make_pull("a.csv", torque=300.0, order=1, **HOT),
                make_pull("b.csv", torque=310.0, order=2, **HOT),
                make_pull("c.csv", torque=900.0, order=3, void="wheel slip", **HOT),
                make_pull("d.csv", torque=-5.0, order=4, setup="motored", **HOT),
            ]
        )
    export_lake(path, tmp_path / "lake")
    rows = reduce_lake(tmp_path / "lake", "setup_statistics")
    assert rows["setup"].unique().to_list() == ["base"]
    assert rows["n"].unique().to_list() == [2]
    assert rows["m2_order"].unique().to_list() == [0.5]
