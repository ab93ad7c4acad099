"""A lake of three warehouses, and a Spark server where one is installed."""

from __future__ import annotations

import hashlib
from importlib.util import find_spec

import numpy as np
import polars as pl
import pytest

import dynostats as ds
from dynostats.warehouse import Labels, NewPull, Source, open_store

# Of the extra `lake`; .ci/run installs it and runs this folder once more.
MISSING = [name for name in ("pysail", "pyspark", "sqlglot") if find_spec(name) is None]
collect_ignore_glob = ["test_spark*"] if MISSING else []


RPM = np.arange(2000.0, 4001.0, 100.0)


def noisy_pull(rng, *, engine, session, setup, order, shift):
    """Return a pull whose curve is off by a smooth error, a drift and its session's shift."""
    away = 0.004 * np.interp(RPM, RPM[::5], rng.normal(size=len(RPM[::5])))
    torque = 300.0 * np.exp(shift + away + 0.0005 * order + (0.01 if setup == "B" else 0.0))
    curve = pl.DataFrame({"rpm": RPM, "torque": torque})
    samples = curve.rename({"rpm": "engine_speed"})
    data = f"{engine} {session} {order}".encode()
    return NewPull(
        source=Source(file=f"{data.decode()}.csv", sha256=hashlib.sha256(data).hexdigest(),
                      data=data),
        labels=Labels(engine=engine, session=session, setup=setup, order=order, dyno="north cell"),
        samples=samples,
        curve=curve,
    )  # fmt: skip


@pytest.fixture(scope="session")
def noisy_warehouse(tmp_path_factory):
    """Three engines on one dyno, twelve sessions, a drift, no pull out of the ordinary."""
    rng = np.random.default_rng(7)
    path = tmp_path_factory.mktemp("noisy") / "noisy.duckdb"
    runs = ["ABBA", "AAB", "ABA", "CCA"]
    pulls = [
        noisy_pull(rng, engine=f"N{number % 3}", session=f"n{number}", setup=setup, order=order,
                   shift=shift)
        for number, shift in enumerate(rng.normal(0.0, 0.005, 12))
        for order, setup in enumerate(runs[number % 4], 1)
    ]  # fmt: skip
    with open_store(path, write=True) as store:
        store.add(pulls)
    return path


@pytest.fixture(scope="session")
def warehouses(first_warehouse, cooler_warehouse, noisy_warehouse):
    """Three warehouses with pulls of different engines and channels."""
    return [ds.open_warehouse(p) for p in (first_warehouse, cooler_warehouse, noisy_warehouse)]


@pytest.fixture(scope="session")
def lake_folder(warehouses, tmp_path_factory):
    """The lake they lie in; only to be read."""
    folder = tmp_path_factory.mktemp("archive") / "lake"
    for warehouse in warehouses:
        warehouse.export(folder, layout="lake")
    return folder
