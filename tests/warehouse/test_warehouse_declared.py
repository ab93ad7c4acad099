"""Questions declared before their pulls, and looks: added, never changed, and in every copy."""

from __future__ import annotations

import pytest
from made_declaration import LOOK, QUESTION, RUN_SHEET

from dynostats.errors import WarehouseError
from dynostats.warehouse import export, open_store, restore, verify
from dynostats.warehouse.schema import create_warehouse, migrations


@pytest.fixture
def declared(filled):
    """A warehouse with a declared question that was looked at once."""
    with open_store(filled, write=True) as store:
        assert store.declare(QUESTION, RUN_SHEET) == 1
        store.note_look(1, LOOK)
    return filled


def test_what_is_declared_stands_there(declared):
    with open_store(declared) as store:
        row = store.declarations().row(0, named=True)
        assert QUESTION.items() <= row.items()
        assert row["declared_at"] is not None
        sheet = store.declared_pulls(1)
        assert sheet["role"].to_list() == ["warm_up", "A", "B"]
        assert sheet["run_order"].to_list() == [None, 1, 2]
        assert LOOK.items() <= store.looks(1).row(0, named=True).items()
        told = store.query("declared").row(0, named=True)
        assert (told["looks_taken"], told["decision"]) == (1, "go on")


def test_declaring_again_leaves_the_first(declared):
    with open_store(declared, write=True) as store:
        assert store.declare(QUESTION | {"margin_pct": 1.0}, RUN_SHEET) == 2
        assert store.declarations()["margin_pct"].to_list() == [0.5, 1.0]
        assert store.declarations(1).height == 1
        assert store.looks(2).is_empty()


def test_a_look_is_taken_once(declared):
    with open_store(declared, write=True) as store:
        with pytest.raises(WarehouseError, match="look 1 at question 1 was taken before"):
            store.note_look(1, LOOK)
        store.note_look(1, LOOK | {"look": 2})
        assert store.looks(1).height == 2


def test_an_export_leads_back_to_it(declared, tmp_path):
    export(declared, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    assert verify(tmp_path / "again.duckdb") == verify(declared)
    assert verify(declared).rows["declared_pulls"] == 3


def test_an_export_of_an_older_layout_is_still_restored(filled, tmp_path):
    export(filled, tmp_path / "out")
    for name in ("declarations", "declared_pulls", "looks"):
        (tmp_path / "out" / f"{name}.parquet").unlink()
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    assert verify(tmp_path / "again.duckdb").sound


def test_verify_finds_looks_without_a_question_and_a_missing_run_sheet(declared):
    with open_store(declared, write=True) as store:
        store.note_look(5, LOOK)
        store.declare(QUESTION, [])
    faults = {fault.where: fault.what for fault in verify(declared).faults}
    assert "never declared" in faults["question 5"]
    assert "run sheet is missing" in faults["question 2"]


def test_an_older_warehouse_gets_the_tables(tmp_path, monkeypatch):
    path = tmp_path / "old.duckdb"
    every = migrations()
    with monkeypatch.context() as older:
        known = {number: file for number, file in every.items() if number < 4}
        older.setattr("dynostats.warehouse.schema.migrations", lambda: known)
        create_warehouse(path)
    with open_store(path, write=True) as store:
        assert store.declare(QUESTION, RUN_SHEET) == 1
    assert verify(path).sound
