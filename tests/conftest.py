"""What the tests of several parts share."""

from __future__ import annotations

import os
import shutil
from importlib.util import find_spec
from pathlib import Path

import pytest

# Before numpy is loaded: on a busy machine two threads of many small products wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import polars as pl

import dynostats as ds
from dynostats.simulate import write_first_comparison
from dynostats.simulate.day import Day, simulate_days
from dynostats.simulate.files import write_log
from dynostats.simulate.scenario import BRAKE, SETUPS, TURBO_FIVE


def pytest_report_header() -> str:
    """Say whether the tests on a Spark server are among those run."""
    here = all(find_spec(name) for name in ("pysail", "pyspark", "sqlglot"))
    return f"tests/lake/test_spark.py: {'runs' if here else 'left out, the extra lake is absent'}"


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


@pytest.fixture(scope="session")
def demo_warehouse(tmp_path_factory) -> Path:
    """A warehouse with the logs of datasets/demo; only to be read."""
    path = tmp_path_factory.mktemp("demo") / "demo.duckdb"
    with ds.open_warehouse(path) as warehouse:
        report = warehouse.ingest(Path(__file__).parents[1] / "datasets" / "demo")
    assert len(report.stored) == 53
    return path


@pytest.fixture
def own_warehouse(first_warehouse, tmp_path) -> Path:
    """A copy of it to write into."""
    return Path(shutil.copy(first_warehouse, tmp_path / "own.duckdb"))


@pytest.fixture(scope="session")
def cooler_warehouse(tmp_path_factory) -> Path:
    """A turbocharged engine with every channel, two charge coolers on it; only to be read."""
    folder = tmp_path_factory.mktemp("cooler")
    thin, deep = SETUPS["outlet-54"], SETUPS["deep-core"]
    runs = {"may-02": (thin,) * 3, "may-09": (thin, deep) * 2, "may-16": (thin, deep, deep, thin)}
    days = [
        Day(
            session=name,
            date=f"2025-{name.replace('may', '05')}",
            cell=BRAKE,
            engine=TURBO_FIVE,
            run=run,
        )
        for name, run in runs.items()
    ]
    rows = []
    for pull in simulate_days(days, seed=5):
        write_log(pull, folder)
        air = pull.air
        rows.append(
            {
                "file": pull.file,
                "engine": pull.engine,
                "dyno": pull.dyno,
                "session": pull.session,
                "setup": {"outlet-54": "thin-core"}.get(pull.setup, pull.setup),
                "order": pull.order,
                "ambient_pressure [kPa]": air.pressure_kpa,
                "ambient_temperature [degC]": air.temperature_c,
                "relative_humidity [%]": air.relative_humidity_pct,
            }
        )
    pl.DataFrame(rows).write_csv(folder / "sheet.csv")
    path = folder / "cooler.duckdb"
    with ds.open_warehouse(path) as warehouse:
        report = warehouse.ingest(folder)
    assert len(report.stored) == 11
    return path
