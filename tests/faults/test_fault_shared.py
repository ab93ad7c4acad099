"""Several programs at one warehouse: one writes, or many read; the others wait, then say so."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from fault_logs import LOGS, SESSION

from dynostats.intake import ingest
from dynostats.warehouse import WarehouseInUseError, open_store

HOLDER = Path(__file__).with_name("hold_open.py")


@pytest.fixture(scope="module")
def filled(logs, tmp_path_factory):
    warehouse = tmp_path_factory.mktemp("shared") / "shop.duckdb"
    ingest([logs / "run000.csv", logs / "run001.csv"], warehouse=warehouse)
    return warehouse


@contextlib.contextmanager
def held(warehouse, how):
    """Let another process hold the warehouse; give what makes it let go."""
    with subprocess.Popen(
        [sys.executable, str(HOLDER), str(warehouse), how],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline() == "held\n"
        yield lambda: process.communicate("\n")
        if process.returncode is None:
            process.communicate("\n")


@pytest.mark.parametrize(
    ("held_for", "write"),
    [("write", True), ("write", False), ("read", True)],
    ids=["two writers", "a reader beside a writer", "a writer beside a reader"],
)
def test_the_second_waits_says_so_and_refuses_clearly(filled, held_for, write, count, request):
    said: list[str] = []
    with held(filled, held_for):
        start = time.monotonic()
        with pytest.raises(WarehouseInUseError, match=r"waited 0\.6 s") as refused:
            open_store(filled, write=write, wait_s=0.6, say=said.append)
        waited = time.monotonic() - start
    assert waited >= 0.6
    assert len(said) == 1
    assert "in use by another program; waiting up to 0.6 s" in said[0]
    assert "Try again" in refused.value.mend
    open_store(filled, write=write).close()
    count(f"{request.node.callspec.id} at once: the second waits, then refuses", 1)


@pytest.mark.parametrize(("held_for", "write"), [("write", True), ("write", False)])
def test_the_second_goes_on_when_the_first_lets_go(filled, held_for, write):
    said: list[str] = []
    with held(filled, held_for) as let_go:
        timer = threading.Timer(0.5, let_go)
        timer.start()
        with open_store(filled, write=write, wait_s=60.0, say=said.append) as store:
            assert store.pulls().height == 2
        timer.join()
    assert len(said) == 1


def test_any_number_may_read_at_once(filled):
    with held(filled, "read"), held(filled, "read"), open_store(filled, wait_s=0.0) as store:
        assert store.pulls().height == 2


def test_waiting_is_told_on_standard_error_unless_said_otherwise(filled, capsys):
    with held(filled, "write"), pytest.raises(WarehouseInUseError):
        open_store(filled, wait_s=1.0)
    told = capsys.readouterr()
    assert told.out == ""
    assert "waiting up to 1 s" in told.err


def test_two_ingests_at_once_store_everything_once(tmp_path, teller_command, times, count):
    """On a busy computer the one that waits may refuse: then it says so, and the other is whole."""
    refused = 0
    for trial in range(times(1, 10)):
        warehouse = tmp_path / f"shop{trial}.duckdb"
        both = [
            subprocess.Popen(
                teller_command(warehouse, how),
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for how in ("alone", "helped")
        ]
        outputs = [process.communicate() for process in both]
        failed = [
            errors
            for process, (_, errors) in zip(both, outputs, strict=True)
            if process.returncode != 0
        ]
        assert len(failed) < 2, failed
        assert all("another program is using the warehouse" in errors for errors in failed)
        refused += len(failed)
        with open_store(warehouse) as store:
            pulls = store.pulls()
        assert pulls.height == LOGS
        assert pulls["sha256"].is_unique().all()
        excluded = pulls.filter(state="excluded")
        assert excluded.height == LOGS // SESSION, "each pull cut short is left out, by one of them"
    count(
        "two ingests of the same folder at once",
        times(1, 10),
        refused_in_words_after_waiting=refused,
    )
