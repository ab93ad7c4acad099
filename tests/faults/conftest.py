"""Faults that are really made: processes killed, disks filled, files damaged.

A few of each kind run always; `pytest tests/faults --full-faults` runs many.
"""

from __future__ import annotations

import json
import random
import sys
from pathlib import Path

import pytest
from fault_logs import LOGS, SESSION, write_logs
from kill_ingests import Killer

import dynostats as ds
from dynostats.ingest import read_log

TELLER = Path(__file__).with_name("ingest_and_tell.py")


def pytest_addoption(parser):
    parser.addoption(
        "--full-faults",
        action="store_true",
        help="make every fault many times (half an hour), not a few times",
    )
    parser.addoption("--fault-counts", metavar="FILE", help="append what was tried, a line a fault")


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
def undisturbed(logs, tmp_path_factory):
    """A warehouse that nothing happened to while the logs went in; only to be read."""
    warehouse = tmp_path_factory.mktemp("undisturbed") / "shop.duckdb"
    report = ds.open_warehouse(warehouse).ingest(logs)
    assert len(report.stored) == LOGS
    assert sum(bool(entry.excluded) for entry in report.stored) == LOGS // SESSION
    return warehouse


@pytest.fixture(scope="session")
def teller_command(logs):
    """Give the command that ingests the logs in a process of its own and tells what it stored.

    It reads "alone", or "helped" by another process.
    """
    return lambda warehouse, how="alone": [
        sys.executable,
        str(TELLER),
        *map(str, (logs, warehouse, how)),
    ]


@pytest.fixture
def count(request, capsys):
    """Give what tells how often each fault was made, also when the test passes.

    A test asserts that nothing was lost; it tells only when that held.
    """

    def tell(fault: str, tried: int, **counts: int) -> None:
        facts = ", ".join(f"{number} {name.replace('_', ' ')}" for name, number in counts.items())
        with capsys.disabled():
            print(f"\n  {fault}: {tried} times; {facts}")  # noqa: T201 - the result
        out = request.config.getoption("--fault-counts", default=None)
        if out is not None:
            row = {"fault": fault, "tried": tried, "facts": facts}
            with Path(out).open("a", encoding="utf-8") as file:
                file.write(f"{json.dumps(row)}\n")

    return tell


@pytest.fixture(scope="session", params=["alone", "helped"])
def killer(request, teller_command, tmp_path_factory):
    """Give what kills ingests that read alone, and what kills ingests with a helper process."""
    warehouse = tmp_path_factory.mktemp("timed") / "shop.duckdb"
    return Killer(lambda path: teller_command(path, request.param), warehouse, how=request.param)
