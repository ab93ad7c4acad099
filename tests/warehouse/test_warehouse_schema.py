"""Making a warehouse, upgrading an older one, refusing a newer one."""

from __future__ import annotations

import errno

import duckdb
import pytest
from made_pulls import make_pull

from dynostats.errors import WarehouseError
from dynostats.warehouse import open_store, schema, verify


@pytest.fixture
def next_version(tmp_path, monkeypatch):
    """Let the program know one schema version more than the warehouses of this test have."""
    latest = schema.latest_version()

    def add(sql: str) -> int:
        file = tmp_path / f"{latest + 1:03d}_next.sql"
        file.write_text(sql)
        known = schema.migrations() | {latest + 1: file}
        monkeypatch.setattr(schema, "migrations", lambda: known)
        return latest + 1

    return add


def test_an_older_warehouse_is_upgraded_by_writing_after_a_copy(filled, next_version):
    before = verify(filled)
    number = next_version("alter table engines add column cylinders integer;")
    with open_store(filled, write=True) as store:
        assert store.query("select cylinders from engines").rows() == [(None,)]
        assert store.query("select max(schema_version) as v from meta").item() == number
    copy = filled.with_name(f"shop.layout{number - 1}.duckdb")
    with duckdb.connect(copy, read_only=True) as old:
        assert old.sql("select max(schema_version) from meta").fetchall() == [(number - 1,)]
        assert old.sql("select count(*) from samples").fetchall() == [(before.rows["samples"],)]


def test_an_older_warehouse_is_not_touched_by_reading(filled, next_version):
    next_version("alter table engines add column cylinders integer;")
    before = filled.read_bytes()
    with pytest.raises(WarehouseError, match="older layout") as refused:
        open_store(filled)
    assert "writes" in refused.value.mend
    assert filled.read_bytes() == before
    assert len(list(filled.parent.glob("*.duckdb"))) == 1


def test_an_upgrade_that_fails_changes_nothing(filled, next_version):
    before = verify(filled)
    next_version("alter table engines add column cylinders integer; select no_such_thing;")
    with pytest.raises(WarehouseError) as refused:
        open_store(filled, write=True)
    assert refused.value.where == str(filled)
    with duckdb.connect(filled, read_only=True) as old:  # which needs it to be let go of
        columns = [row[0] for row in old.sql("describe engines").fetchall()]
        assert columns == ["engine", "first_seen"]
        assert old.sql("select count(*) from pulls").fetchall() == [(before.rows["pulls"],)]


def test_without_room_for_the_copy_nothing_is_upgraded(filled, next_version, monkeypatch):
    number = next_version("alter table engines add column cylinders integer;")

    def full(_, to):
        to.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(schema.shutil, "copyfile", full)
    with pytest.raises(WarehouseError, match="No space left on device"):
        open_store(filled, write=True)
    assert [entry.name for entry in filled.parent.glob("*.duckdb")] == ["shop.duckdb"]
    with duckdb.connect(filled, read_only=True) as old:
        assert old.sql("select max(schema_version) from meta").fetchall() == [(number - 1,)]


def test_a_warehouse_of_layout_one_gets_a_clock_for_its_curves(path, monkeypatch):
    every = schema.migrations()
    with monkeypatch.context() as older:
        older.setattr(schema, "migrations", lambda: {1: every[1]})
        schema.create_warehouse(path)
    with open_store(path, write=True) as store:
        assert store.curves(channels=("time", "torque")).columns == [
            "pull",
            "rpm",
            "time",
            "torque",
        ]


def test_what_an_older_layout_holds_counts_as_judged(path, monkeypatch):
    every = schema.migrations()
    with monkeypatch.context() as older:
        older.setattr(schema, "migrations", lambda: {n: every[n] for n in range(1, 6)})
        schema.create_warehouse(path)
        with open_store(path, write=True) as store:
            store.add([make_pull()])
    with open_store(path, write=True) as store:
        assert store.pulls().height == 1
        assert store.unjudged() == ()


def test_a_copy_before_an_upgrade_never_replaces_an_older_copy(filled):
    filled.with_name("shop.layout1.duckdb").write_text("an older copy")
    assert schema.backup_name(filled, 1).name == "shop.layout1-2.duckdb"


def test_a_newer_warehouse_is_refused_and_not_touched(filled):
    with duckdb.connect(filled) as connection:
        connection.execute("insert into meta values (999, now()::timestamp, 'dynostats 99')")
    before = filled.read_bytes()
    for write in (False, True):
        with pytest.raises(WarehouseError, match="layout 999") as refused:
            open_store(filled, write=write)
        assert "Upgrade dynostats" in refused.value.mend
    assert filled.read_bytes() == before


def test_another_database_is_not_taken_for_a_warehouse(path):
    with duckdb.connect(path) as connection:
        connection.execute("create table customers (name varchar)")
    for write in (False, True):
        with pytest.raises(WarehouseError, match="not a dynostats warehouse"):
            open_store(path, write=write)


@pytest.mark.parametrize("content", [b"", b"not a database at all" * 1000])
def test_a_file_that_is_no_database_is_named(path, content):
    path.write_bytes(content)
    for write in (False, True):
        with pytest.raises(WarehouseError, match="not a warehouse"):
            open_store(path, write=write)
    assert path.read_bytes() == content


def test_a_folder_is_not_a_warehouse(tmp_path):
    with pytest.raises(WarehouseError, match="cannot be opened"):
        open_store(tmp_path)


def test_the_channel_table_holds_the_names_and_units_of_the_contract(filled):
    with open_store(filled) as store:
        units = dict(store.query("select channel, unit from channels").rows())
        columns = set(store.query("select * from samples limit 0").columns)
    assert columns == set(units) | {"pull_no", "sample"}
    assert (units["torque"], units["power"], units["engine_speed"]) == ("N.m", "kW", "rpm")
    assert units["manifold_pressure"] == "kPa absolute"
    assert units["lambda_16"] == "1"
    assert units["exhaust_temperature_16"] == "degC"
    assert len(units) == 54 - 1
