"""Faults that are really made: processes killed, disks filled, files damaged.

A few of each kind run always; `pytest tests/faults --full-faults` runs many.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fault_logs import LOGS, write_logs

from dynostats.ingest import read_log

TELLER = Path(__file__).with_name("ingest_and_tell.py")


def pytest_addoption(parser):
    parser.addoption(
        "--full-faults",
        action="store_true",
        help="make every fault at least 100 times (a quarter of an hour), not a few times",
    )


@pytest.fixture(scope="session")
def times(request):
    """Give how often to make a fault: few by default, many with --full-faults."""
    full = request.config.getoption("--full-faults", default=False)
    return lambda few, many: many if full else few


@pytest.fixture
def chance(request):
    """Give a random generator of its own to each test, the same in each run."""
    return random.Random(request.node.name)  # noqa: S311 - moments of faults, no secrets


@pytest.fixture(scope="session")
def logs(tmp_path_factory):
    """A folder of small logs with their sheet."""
    folder = tmp_path_factory.mktemp("logs")
    write_logs(folder, LOGS)
    return folder


@pytest.fixture(scope="session")
def expected(logs):
    """What the importer reads from each log, by file."""
    return {
        path.name: read_log(path.read_bytes(), name=path.name).samples
        for path in logs.glob("run*.csv")
    }


@pytest.fixture(scope="session")
def teller_command(logs):
    """Give the command that ingests the logs in a process of its own and tells what it stored."""
    return lambda warehouse: [sys.executable, str(TELLER), str(logs), str(warehouse)]


@pytest.fixture
def count(capsys):
    """Give what tells how often each fault was made, also when the test passes."""

    def tell(**counts: int) -> None:
        words = ", ".join(f"{name.replace('_', ' ')} {number}" for name, number in counts.items())
        with capsys.disabled():
            print(f"\n  {words}")  # noqa: T201 - the counts are the result

    return tell


@pytest.fixture(scope="session")
def kill_plan(logs, teller_command, tmp_path_factory):
    """Give the command of an ingest to be killed, and how long it takes when it is not."""
    warehouse = tmp_path_factory.mktemp("whole") / "shop.duckdb"
    command = teller_command(warehouse)
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "ready\n"
        start = time.monotonic()
        lines = process.stdout.read().splitlines()
    assert len(lines) == len(list(logs.glob("run*.csv"))) + 1
    assert lines[-1] == "done"
    return teller_command, time.monotonic() - start
