"""Original bytes in tables of their own, and how often they are packed."""

from __future__ import annotations

import random
from dataclasses import replace

import duckdb
import pytest
from made_pulls import make_pull

from dynostats.warehouse import (
    NewPull,
    Source,
    export,
    open_store,
    originals,
    restore,
    schema,
    verify,
)


@pytest.fixture
def large(monkeypatch):
    """Let a batch of two files be a large one."""
    monkeypatch.setattr(originals, "OWN_TABLE_BYTES", int(1.5 * len(make_pull().source.data)))


def pulls_of(numbers):
    return [make_pull(f"run{n}.csv", torque=300.0 + n / 10) for n in numbers]


@pytest.fixture
def filled(tmp_path, large):  # noqa: ARG001 - sets what is large
    """A warehouse of a small batch, two large ones and another small one."""
    path = tmp_path / "shop.duckdb"
    with open_store(path, write=True) as store:
        for numbers in ((0,), (1, 2, 3), (4, 5), (6,)):
            store.add(pulls_of(numbers))
    return path


def tables_of(path):
    with duckdb.connect(path, read_only=True) as connection:
        names = connection.sql(
            "select table_name from duckdb_tables() where table_name like '%sources%' order by 1"
        ).fetchall()
        return {name: connection.table(name).count("*").fetchall()[0][0] for (name,) in names}


def test_a_large_batch_has_a_table_of_its_own_and_small_ones_share_one(filled):
    assert tables_of(filled) == {"stored_sources": 2, "stored_sources_1": 3, "stored_sources_2": 2}


def test_every_file_is_found_wherever_it_lies(filled):
    with open_store(filled) as store:
        assert store.sources().height == 7
        for pull in pulls_of(range(7)):
            assert store.source(pull.source.sha256) == pull.source.data
    assert verify(filled).faults == ()


@pytest.mark.usefixtures("large")
def test_a_batch_that_cannot_be_stored_leaves_no_table(filled):
    before = tables_of(filled)
    new = make_pull("new.csv", torque=500.0)
    bad = NewPull(
        source=Source(file="bad.csv", sha256="b" * 64, data=b"x" * 10_000),
        labels=new.labels,
        samples=new.samples,
        curve=new.curve,
        findings=[object()],  # no finding: the insert fails after the sources are in
    )
    with open_store(filled, write=True) as store, pytest.raises(AttributeError):
        store.add([new, bad])
    assert tables_of(filled) == before
    with open_store(filled) as store:
        assert store.sources().height == 7
    assert verify(filled).faults == ()


def test_a_changed_byte_in_any_table_is_found(filled):
    with duckdb.connect(filled) as connection:
        connection.execute("update stored_sources_2 set data = 'x'::blob where file = 'run5.csv'")
    (fault,) = verify(filled).faults
    assert (fault.check, fault.where) == ("source_bytes", "run5.csv")


def test_an_export_leads_back_to_an_equal_warehouse(filled, tmp_path):
    export(filled, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    before, after = verify(filled), verify(tmp_path / "again.duckdb")
    assert after.faults == ()
    assert (after.rows, after.checksums) == (before.rows, before.checksums)


def test_a_warehouse_of_schema_3_keeps_its_files_when_it_is_upgraded(tmp_path, monkeypatch):
    path = tmp_path / "shop.duckdb"
    every = schema.migrations()
    monkeypatch.setattr(schema, "migrations", lambda: {n: every[n] for n in (1, 2, 3)})
    pulls = pulls_of(range(3))
    with open_store(path, write=True):
        pass
    with duckdb.connect(path) as connection:
        for pull in pulls:
            source = pull.source
            connection.execute(
                "insert into sources values (?, ?, ?, now()::timestamp, ?)",
                [source.sha256, source.file, len(source.data), source.data],
            )
    monkeypatch.undo()
    with open_store(path, write=True) as store:
        store.add(pulls_of([9]))
    with open_store(path) as store:
        for pull in pulls:
            assert store.source(pull.source.sha256) == pull.source.data
        assert store.query("select count(*) from sources").item() == 4


@pytest.mark.parametrize("own", [True, False])
def test_a_table_of_its_own_is_packed_once_and_a_shared_one_again_and_again(
    tmp_path, monkeypatch, own
):
    """What lies in a table of its own stays where it is, however much is stored after it."""
    monkeypatch.setattr(originals, "OWN_TABLE_BYTES", 1_000_000 if own else 10**12)
    rng = random.Random(5)  # noqa: S311 - bytes to store, no secrets
    path = tmp_path / "shop.duckdb"
    table = "stored_sources_1" if own else "stored_sources"

    def store_batch(number):
        pulls = [make_pull(f"{number}-{n}.csv", torque=200.0 + 10 * number + n) for n in range(9)]
        large = [Source(file=p.source.file, sha256=p.source.sha256, data=digits()) for p in pulls]
        with open_store(path, write=True) as store:
            store.add([replace(pull, source=one) for pull, one in zip(pulls, large, strict=True)])

    def digits():
        return rng.randbytes(100_000).hex().encode()

    def blocks():
        with duckdb.connect(path, read_only=True) as connection:
            segments = connection.sql(f"from pragma_storage_info('{table}')").pl()
            return segments.filter(column_name="data")["block_id"].to_list()

    store_batch(0)
    first = blocks()
    assert first
    for number in range(1, 5):
        store_batch(number)
    assert (blocks() == first) is own


def test_migrations_are_numbered_without_gap_or_double():
    files = sorted(path.name for path in schema.migrations()[1].parent.glob("*.sql"))
    assert [int(name[:3]) for name in files] == list(range(1, len(files) + 1))
