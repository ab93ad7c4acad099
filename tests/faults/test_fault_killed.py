"""kill -9 at random moments of an ingest: what was reported as stored is there, bit for bit.

A kill counts only when the process was alive and not done; the others are made again.
"""

from __future__ import annotations

import polars as pl
from fault_logs import LOGS
from ingest_and_tell import BATCH
from polars.testing import assert_frame_equal

import dynostats as ds
from dynostats.warehouse import open_store, verify
from dynostats.warehouse.archive import exported_tables

MOST_TRIES_A_KILL = 5


def check_everything_told_is_there(warehouse, told, *, expected, undisturbed, logs):
    """Compare all that is stored, bit for bit, with what nothing happened to; count the pulls."""
    with open_store(warehouse) as store, open_store(undisturbed) as whole:
        pulls = store.pulls()
        files = dict(pulls.select("pull", "file").rows())
        assert {entry["pull"]: entry["file"] for entry in told}.items() <= files.items()
        for pull, file in files.items():
            assert_frame_equal(store.samples(pull), expected[file], check_exact=True)
        # Pulls are numbered in the order of the files, so both give them the same names.
        curves = whole.curves(list(files), channels=("torque", "power"))
        found = store.curves(list(files), channels=("torque", "power"))
        assert_frame_equal(found, curves, check_exact=True)
        for sha256, file in store.sources().select("sha256", "file").rows():
            assert store.source(sha256) == (logs / file).read_bytes()
        assert pulls.height % BATCH == 0, "a batch is stored whole or not at all"
        assert store.sources().height == pulls.height
        assert found["pull"].n_unique() == pulls.height
    assert verify(warehouse).faults == ()
    return pulls.height


def contents(warehouse):
    """Return all that a warehouse holds but the times of writing."""
    with open_store(warehouse) as store:
        frames = {table: store.query(f"export/{table}") for table in exported_tables()}
        data = {sha256: store.source(sha256) for sha256 in frames["sources"]["sha256"]}
    for table, frame in frames.items():
        kept = [name for name, kind in frame.schema.items() if kind != pl.Datetime("us")]
        keys = [name for name in kept if not frame.schema[name].is_nested()]
        frames[table] = frame.select(kept).sort(keys)
    return frames, data


def check_equal(warehouse, undisturbed):
    (frames, data), (expected, originals) = contents(warehouse), contents(undisturbed)
    assert frames.keys() == expected.keys()
    for table, frame in frames.items():
        assert_frame_equal(frame, expected[table], check_exact=True)
    assert data == originals


def test_a_killed_ingest_loses_nothing_it_reported(  # noqa: PLR0917 - fixtures
    killer, expected, undisturbed, logs, tmp_path, chance, times, count
):
    wanted = times(2, 55)
    moments = dict.fromkeys(("before_any_commit", "between", "after_the_last"), 0)
    tries = with_helpers = 0
    while sum(moments.values()) < wanted:
        tries += 1
        assert tries < MOST_TRIES_A_KILL * wanted, "the moments are chosen wrongly"
        warehouse = tmp_path / f"shop{tries}.duckdb"
        killed = killer.kill(warehouse, chance)
        stored = 0
        if warehouse.exists():
            stored = check_everything_told_is_there(
                warehouse, killed.told, expected=expected, undisturbed=undisturbed, logs=logs
            )
        else:
            assert killed.told == []
        if not killed.real:
            continue
        with_helpers += bool(killed.helpers)
        moments[{0: "before_any_commit", LOGS: "after_the_last"}.get(stored, "between")] += 1
        # The same command again goes on where it stopped, and comes to the same end.
        ds.open_warehouse(warehouse).ingest(logs)
        check_equal(warehouse, undisturbed)
        warehouse.unlink()
    count(
        f"kill -9 in the middle of an ingest, {killer.how}; then the same ingest again",
        wanted,
        killed_too_late_and_not_counted=tries - wanted,
        killed_while_a_helper_read=with_helpers,
        **{f"killed_{moment}": number for moment, number in moments.items()},
    )
    assert moments["between"] > 0


def test_one_warehouse_survives_one_kill_after_the_other(  # noqa: PLR0917 - fixtures
    killer, expected, undisturbed, logs, tmp_path, chance, times, count
):
    warehouse = tmp_path / "shop.duckdb"
    told, kills = [], 0
    for _ in range(times(2, 15)):
        killed = killer.kill(warehouse, chance, most_batches=2)
        told += killed.told
        kills += killed.real
        if warehouse.exists():
            check_everything_told_is_there(
                warehouse, told, expected=expected, undisturbed=undisturbed, logs=logs
            )
    ds.open_warehouse(warehouse).ingest(logs)
    check_equal(warehouse, undisturbed)
    count(f"one warehouse, one kill -9 after the other, {killer.how}", kills)
    assert kills > 0
    leftovers = [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    # A kill while the warehouse itself is made may leave its draft; never the warehouse half-made.
    assert all(name.startswith(".shop.duckdb-") for name in leftovers)
