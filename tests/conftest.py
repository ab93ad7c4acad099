"""What the tests of several parts share."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

# Before numpy is loaded: on a busy machine two threads of many small products wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import dynostats as ds
from dynostats.simulate import write_first_comparison


@pytest.fixture(scope="session")
def first_files(tmp_path_factory) -> Path:
    """Ten small logs and their sheet, known to be 3% apart; only to be read."""
    folder = tmp_path_factory.mktemp("first") / "pulls"
    write_first_comparison(folder)
    return folder


@pytest.fixture(scope="session")
def first_warehouse(first_files, tmp_path_factory) -> Path:
    """A warehouse with those logs; only to be read."""
    path = tmp_path_factory.mktemp("warehouse") / "first.duckdb"
    with ds.open_warehouse(path) as warehouse:
        report = warehouse.ingest(first_files)
    assert len(report.stored) == 10
    return path


@pytest.fixture
def own_warehouse(first_warehouse, tmp_path) -> Path:
    """A copy of it to write into."""
    return Path(shutil.copy(first_warehouse, tmp_path / "own.duckdb"))
