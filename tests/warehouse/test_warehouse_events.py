"""The log of what was done to the cells: append-only, kept by every copy."""

from __future__ import annotations

from datetime import datetime

import duckdb
import pytest

from dynostats.errors import WarehouseError
from dynostats.warehouse import NewEvent, backup, export, open_store, restore, schema, verify

WHEN = datetime(2025, 5, 12, 8, 30)  # noqa: DTZ001 - the shop's clock


def event(kind="calibration", what="dead weights", **facts):
    known = {"dyno": "cell 1", "happened_at": WHEN, "who": "Ada"}
    return NewEvent(kind=kind, what=what, **known | facts)


@pytest.fixture
def logged(filled):
    with open_store(filled, write=True) as store:
        assert store.log_event(event()) == "E1"
        assert store.log_event(event("repair", "bearing", dyno=None)) == "E2"
    return filled


def test_events_are_listed_by_date(logged):
    with open_store(logged, write=True) as store:
        store.log_event(event("service", "oil", happened_at=WHEN.replace(month=1)))
        rows = store.events().rows(named=True)
    assert [row["event"] for row in rows] == ["E3", "E1", "E2"]
    assert rows[1] | {"noted_at": None} == {
        "event": "E1",
        "dyno": "cell 1",
        "kind": "calibration",
        "happened_at": WHEN,
        "what": "dead weights",
        "who": "Ada",
        "noted_at": None,
        "withdrawn": None,
    }
    with open_store(logged) as store:
        assert store.events("cell 1")["event"].to_list() == ["E3", "E1"]


def test_an_entry_taken_back_stays_with_the_reason(logged):
    with open_store(logged, write=True) as store:
        assert store.withdraw_event("e1", why="wrong cell", who="Ada") == "E1"
        rows = store.events().rows(named=True)
        assert {row["event"]: row["withdrawn"] for row in rows} == {"E1": "wrong cell", "E2": None}
        assert store.log_event(event()) == "E4"  # the withdrawal has a number of its own
        with pytest.raises(WarehouseError, match="taken back already: wrong cell"):
            store.withdraw_event("E1", why="again", who="Ada")


@pytest.mark.parametrize(
    ("name", "why", "said"),
    [
        ("E9", "x", "no such event"),
        ("P1", "x", "not the name of an event"),
        ("E1", "  ", "a reason is needed"),
    ],
)
def test_what_cannot_be_taken_back(logged, name, why, said):
    with open_store(logged, write=True) as store:
        with pytest.raises(WarehouseError, match=said):
            store.withdraw_event(name, why=why, who="Ada")
        assert store.events()["withdrawn"].null_count() == 2


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"kind": "party"}, "'party' is no kind"),
        ({"kind": "withdrawal"}, "'withdrawal' is no kind"),
        ({"what": " "}, "must say what was done"),
    ],
)
def test_what_cannot_be_logged(filled, wrong, said):
    with open_store(filled, write=True) as store:
        with pytest.raises(WarehouseError, match=said):
            store.log_event(event(**wrong))
        assert store.events().is_empty()


def test_reading_cannot_log(logged):
    with open_store(logged) as store, pytest.raises(WarehouseError, match="reading only"):
        store.log_event(event())


def test_copies_keep_the_log(logged, tmp_path):
    before = verify(logged)
    assert before.sound
    assert before.rows["cell_events"] == 2
    backup(logged, tmp_path / "copy.duckdb")
    export(logged, tmp_path / "open")
    restore(tmp_path / "open", tmp_path / "back.duckdb")
    for copy in ("copy.duckdb", "back.duckdb"):
        again = verify(tmp_path / copy)
        assert again.sound
        assert again.checksums == before.checksums
    with open_store(tmp_path / "back.duckdb", write=True) as store:
        assert store.log_event(event()) == "E3"


def test_an_export_from_before_the_log_can_be_restored(filled, tmp_path):
    export(filled, tmp_path / "open")
    (tmp_path / "open" / "cell_events.parquet").unlink()
    restore(tmp_path / "open", tmp_path / "back.duckdb")
    assert verify(tmp_path / "back.duckdb").sound


def test_a_warehouse_of_layout_two_gets_a_log(path, monkeypatch):
    every = schema.migrations()
    with monkeypatch.context() as older:
        older.setattr(schema, "migrations", lambda: {n: every[n] for n in (1, 2)})
        schema.create_warehouse(path)
    with open_store(path, write=True) as store:
        assert store.log_event(event()) == "E1"
    with duckdb.connect(path.with_name("shop.layout2.duckdb"), read_only=True) as old:
        tables = {row[0] for row in old.sql("show tables").fetchall()}
    assert "cell_events" not in tables


@pytest.mark.parametrize(
    "fault",
    [
        "insert into cell_events select * from cell_events where event_no = 1",
        "update counters set event_no = 1",
        "update cell_events set withdraws = 1 where event_no = 2",
        "update cell_events set kind = 'withdrawal' where event_no = 2",
    ],
)
def test_a_log_that_was_tampered_with_is_found(logged, fault):
    with duckdb.connect(logged) as connection:
        connection.execute(fault)
    assert {one.check for one in verify(logged).faults} == {"cell_events"}
