"""A full disk: a clear error, and everything stored before is whole."""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest
from fault_logs import write_logs
from polars.testing import assert_frame_equal

from dynostats.errors import DynostatsError
from dynostats.ingest import read_log
from dynostats.intake import ingest, run
from dynostats.warehouse import backup, export, open_store, verify

MEBIBYTE = 2**20


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 12 MiB, in memory."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = shutil.which("mount")
    if mount is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("NOT RUN: making a small disk needs root and mount")
    made = subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=12m", "tmpfs", disk], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip(f"NOT RUN: no small disk could be made: {made.stderr.decode()}")
    yield disk
    subprocess.run(["umount", disk], check=True)


def fill_up(disk, *, leave):
    """Fill a disk but for some bytes; return the file that does."""
    filler = disk / "filler"
    filler.unlink(missing_ok=True)
    free = shutil.disk_usage(disk).free
    filler.write_bytes(b"\x01" * max(free - leave, 0))
    return filler


@pytest.fixture
def many(tmp_path):
    """More and longer logs than the free space takes."""
    folder = tmp_path / "many"
    folder.mkdir()
    write_logs(folder, 150, rows=400)
    return folder


@pytest.mark.parametrize("leave", [0, 300_000, 1_500_000, 2_500_000])
def test_an_ingest_onto_a_full_disk_keeps_what_was_committed(  # noqa: PLR0917 - fixtures
    small_disk, logs, expected, many, leave, monkeypatch, count
):
    warehouse = small_disk / "shop.duckdb"
    ingest([logs], warehouse=warehouse)
    filler = fill_up(small_disk, leave=leave)
    monkeypatch.setattr(run, "BATCH_FILES", 30)
    told = []
    with pytest.raises(DynostatsError, match="disk is full") as refused:
        ingest([many], warehouse=warehouse, progress=lambda seen: told.extend(seen.committed))
    assert "Free some space" in refused.value.mend

    # With the disk still full: all that was reported is there, bit for bit, and nothing else.
    with open_store(warehouse) as store:
        pulls = store.pulls()
        assert pulls.height == len(expected) + len(told)
        for pull, file in pulls.select("pull", "file").rows()[: len(expected)]:
            assert_frame_equal(store.samples(pull), expected[file], check_exact=True)
        for entry in told:
            log = read_log((many / entry.file).read_bytes(), name=entry.file)
            assert_frame_equal(store.samples(entry.pull), log.samples, check_exact=True)
    assert verify(warehouse).faults == ()

    # With space again, the same command goes on where it stopped.
    filler.unlink()
    report = ingest([many], warehouse=warehouse)
    assert len(report.stored) + len(told) == 150
    assert report.refused == ()
    assert verify(warehouse).faults == ()
    count(f"disk full during an ingest, {leave:,} bytes left at its start", 1, stored=len(told))


def test_a_warehouse_cannot_be_made_on_a_full_disk(small_disk, logs):
    fill_up(small_disk, leave=0)
    warehouse = small_disk / "shop.duckdb"
    with pytest.raises(DynostatsError, match=r"full|No space"):
        ingest([logs], warehouse=warehouse)
    assert [path.name for path in small_disk.iterdir()] == ["filler"]


def test_a_copy_that_does_not_fit_leaves_no_part_of_it(small_disk, logs, tmp_path, count):
    warehouse = tmp_path / "shop.duckdb"
    ingest([logs], warehouse=warehouse)
    fill_up(small_disk, leave=200_000)
    with pytest.raises(DynostatsError, match=r"full|No space"):
        backup(warehouse, small_disk / "copy.duckdb")
    assert [path.name for path in small_disk.iterdir()] == ["filler"]
    fill_up(small_disk, leave=5_000)
    with pytest.raises(DynostatsError, match=r"full|No space"):
        export(warehouse, small_disk / "out")
    assert [path.name for path in small_disk.iterdir()] == ["filler"]
    assert verify(warehouse).faults == ()
    count("disk full during `backup` and `export`", 2)


def test_a_correction_on_a_full_disk_is_kept_or_refused_never_half(small_disk, logs, count):
    warehouse = small_disk / "shop.duckdb"
    ingest([logs], warehouse=warehouse)
    fill_up(small_disk, leave=0)
    kept = 0
    for number in range(1, 40):
        try:
            with open_store(warehouse, write=True) as store:
                store.exclude(f"P{number}", why="practice " * 50, who="test")
        except DynostatsError:
            break
        kept += 1
    assert kept < 39, "the disk never became full"
    with open_store(warehouse) as store:
        excluded = store.pulls().filter(state="excluded").height
        assert excluded == store.amendments().height == kept
    assert verify(warehouse).faults == ()
    count("disk full during corrections", 1, kept_before=kept)
