"""Copies: a backup is the same warehouse, an export leads back to it."""

from __future__ import annotations

import hashlib
import json

import polars as pl
import pytest
from made_pulls import make_pull
from polars.testing import assert_frame_equal

from dynostats.errors import DynostatsError, InputError, WarehouseError
from dynostats.warehouse import backup, export, open_store, restore, verify


@pytest.fixture
def worked_in(filled):
    """A warehouse with every kind of content, corrections among it."""
    with open_store(filled, write=True) as store:
        store.add(
            [make_pull("run1.csv", torque=5.0, extra={"knock": [0.1] * 40, "seen": ["x"] * 40})]
        )
        store.amend("P1", "setup", "second", why="wrong line", who="test")
        store.exclude("P2", why="wheel slip", who="test")
        store.describe_setup("mule", "second", changed="another plug", why="asked", who="test")
    return filled


def test_a_backup_holds_the_same(worked_in, tmp_path):
    to = tmp_path / "copy.duckdb"
    backup(worked_in, to)
    assert verify(to) == verify(worked_in)
    assert {entry.name for entry in tmp_path.iterdir()} == {"shop.duckdb", "copy.duckdb"}


def test_a_backup_takes_along_what_only_the_log_holds(worked_in, tmp_path):
    with open_store(worked_in, write=True) as store:
        # As after a crash: committed, but not yet in the file itself.
        store.add([make_pull("late.csv", torque=77.0)])
        crashed = tmp_path / "crashed.duckdb"
        crashed.write_bytes(worked_in.read_bytes())
        log = worked_in.with_name("shop.duckdb.wal")
        crashed.with_name("crashed.duckdb.wal").write_bytes(log.read_bytes())
    backup(crashed, tmp_path / "copy.duckdb")
    with open_store(tmp_path / "copy.duckdb") as store:
        assert store.pulls()["file"].to_list()[-1] == "late.csv"
    assert verify(tmp_path / "copy.duckdb") == verify(worked_in)


def test_a_backup_replaces_nothing(worked_in, tmp_path):
    to = tmp_path / "copy.duckdb"
    to.write_text("something else")
    with pytest.raises(InputError, match="file of this name already"):
        backup(worked_in, to)
    assert to.read_text() == "something else"


def test_a_backup_that_cannot_be_written_leaves_nothing(worked_in, tmp_path):
    with pytest.raises(WarehouseError, match="could not be written"):
        backup(worked_in, tmp_path / "nowhere" / "copy.duckdb")
    assert [entry.name for entry in tmp_path.iterdir()] == ["shop.duckdb"]


def test_an_export_has_the_layout_of_the_contract(worked_in, tmp_path):
    folder = tmp_path / "out"
    export(worked_in, folder)
    pulls = pl.read_parquet(folder / "pulls.parquet")
    labels = ["pull", "file", "engine", "dyno", "session", "setup", "order", "state", "why"]
    contract = [*labels, "rpm_low", "rpm_high"]
    assert pulls.columns[: len(contract)] == contract
    assert pulls["pull"].to_list() == ["P1", "P2", "P3", "P4", "P5", "P6"]
    samples = pl.read_parquet(folder / "samples.parquet")
    assert samples.columns[:5] == ["pull", "sample", "time", "engine_speed", "torque"]
    assert samples.filter(pull="P4")["sample"].to_list() == list(range(40))
    with open_store(worked_in) as store:
        assert samples.filter(pull="P4")["torque"].equals(store.samples("P4")["torque"])
    curves = pl.read_parquet(folder / "curves.parquet")
    assert curves.columns[:4] == ["pull", "rpm", "time", "torque"]
    amendments = pl.read_parquet(folder / "amendments.parquet")
    assert amendments["field"].to_list() == ["state", "setup", "state", "changed"]
    assert pl.read_csv(folder / "pulls.csv")["why"].to_list()[1] == "wheel slip"


def test_an_export_holds_the_original_bytes_also_of_files_of_one_name(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    with open_store(worked_in) as store:
        stored = set(store.sources()["sha256"])
    files = list((tmp_path / "out" / "sources").iterdir())
    assert {hashlib.sha256(file.read_bytes()).hexdigest() for file in files} == stored
    assert {"run2.csv", "run3.csv", "run4.csv", "run5.csv"} < {file.name for file in files}
    assert sum(file.name.startswith("run1.") for file in files) == 2


def test_an_export_leads_back_to_an_equal_warehouse(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    again = tmp_path / "again.duckdb"
    restore(tmp_path / "out", again)
    before, after = verify(worked_in), verify(again)
    assert after.faults == ()
    assert after.rows == before.rows
    assert after.checksums == before.checksums
    with open_store(worked_in) as one, open_store(again) as other:
        assert other.samples("P6").equals(one.samples("P6"))
        assert other.amendments().equals(one.amendments())
        for sha256 in one.sources()["sha256"]:
            assert other.source(sha256) == one.source(sha256)


def test_a_restored_warehouse_goes_on_with_new_names(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    with open_store(tmp_path / "again.duckdb", write=True) as store:
        assert store.add([make_pull("new.csv", torque=123.0)]) == ("P7",)
        store.exclude("P7", why="practice", who="test")
    assert verify(tmp_path / "again.duckdb").faults == ()


def test_what_is_restored_counts_as_judged(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    with open_store(tmp_path / "again.duckdb", write=True) as store:
        assert store.unjudged() == ()
        new = store.add([make_pull("new.csv", torque=123.0)])
        assert store.unjudged() == new


def test_an_empty_warehouse_can_be_exported_and_restored(path, tmp_path):
    open_store(path, write=True).close()
    export(path, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    assert verify(tmp_path / "again.duckdb") == verify(path)


def test_an_export_goes_into_an_empty_folder_only(worked_in, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.docx").write_text("mine")
    with pytest.raises(InputError, match="folder is not empty"):
        export(worked_in, tmp_path / "out")
    assert [entry.name for entry in (tmp_path / "out").iterdir()] == ["thesis.docx"]


def test_a_source_changed_in_the_export_is_noticed(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    (tmp_path / "out" / "sources" / "run3.csv").write_text("something else")
    with pytest.raises(InputError, match="SHA-256 differs") as refused:
        restore(tmp_path / "out", tmp_path / "again.duckdb")
    assert refused.value.where.endswith("run3.csv")
    assert not list(tmp_path.glob("*again*"))
    assert not list(tmp_path.glob(".*"))


def test_an_export_that_is_not_whole_is_refused(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    (tmp_path / "out" / "amendments.parquet").unlink()
    with pytest.raises(InputError, match="amendments is missing"):
        restore(tmp_path / "out", tmp_path / "again.duckdb")


def test_restoring_replaces_nothing(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    before = worked_in.read_bytes()
    with pytest.raises(InputError, match="file of this name already"):
        restore(tmp_path / "out", worked_in)
    assert worked_in.read_bytes() == before


def test_a_verification_is_json(worked_in):
    document = json.dumps(verify(worked_in).to_dict(), allow_nan=False)
    assert json.loads(document)["sound"] is True
    assert json.loads(document)["rows"]["pulls"] == 6


def test_verifying_what_is_not_there(path):
    with pytest.raises(WarehouseError, match="no warehouse here"):
        verify(path)
    assert not path.exists()


@pytest.mark.parametrize("call", [backup, export])
def test_copying_what_is_not_there(path, tmp_path, call):
    with pytest.raises(DynostatsError, match="no warehouse here"):
        call(path, tmp_path / "out")
    assert not list(tmp_path.iterdir())


def test_every_column_of_an_export_is_in_its_dictionary(worked_in, tmp_path):
    folder = tmp_path / "out"
    export(worked_in, folder)
    rows = pl.read_parquet(folder / "dictionary.parquet")
    readable = pl.read_csv(folder / "dictionary.csv").with_columns(pl.col("unit").fill_null(""))
    assert_frame_equal(readable, rows)
    files = [path for path in folder.glob("*.parquet") if path.name != "dictionary.parquet"]
    assert set(rows["file"]) == {path.name for path in files}
    for path in files:
        assert (
            rows.filter(file=path.name)["column"].to_list() == pl.read_parquet_schema(path).names()
        )
    assert rows.filter(pl.col("meaning") == "").is_empty()
    assert rows.filter(pl.col("source") == "").is_empty()


def test_the_dictionary_says_unit_meaning_and_heading(worked_in, tmp_path):
    export(worked_in, tmp_path / "out")
    rows = pl.read_parquet(tmp_path / "out" / "dictionary.parquet")
    (torque,) = rows.filter(file="samples.parquet", column="torque").rows(named=True)
    assert torque["unit"] == "N.m"
    assert "before any ambient correction" in torque["meaning"]
    assert torque["source"] == "files, headed 'torque col'"
    (third,) = rows.filter(file="curves.parquet", column="lambda_3").rows(named=True)
    assert third["meaning"].endswith("cylinder or bank 3")
    assert third["source"].endswith("in no file here")
    (noted,) = rows.filter(file="pulls.parquet", column="stored_at").rows(named=True)
    assert (noted["meaning"], noted["source"]) == ("UTC", "queries/export/pulls.sql")
