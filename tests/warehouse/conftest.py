"""A warehouse that holds a few small pulls."""

from __future__ import annotations

import shutil

import pytest
from made_pulls import make_pull

from dynostats.warehouse import open_store


@pytest.fixture
def new_pull():
    """Give the maker of pulls."""
    return make_pull


@pytest.fixture
def path(tmp_path):
    """Where a warehouse may be made."""
    return tmp_path / "shop.duckdb"


@pytest.fixture(scope="session")
def filled_once(tmp_path_factory):
    """A warehouse of five pulls: three of a baseline, two of a candidate, one of them void."""
    path = tmp_path_factory.mktemp("filled") / "shop.duckdb"
    with open_store(path, write=True) as store:
        store.add(
            [
                make_pull("run1.csv", torque=300.0, order=1, dyno="cell 1"),
                make_pull("run2.csv", torque=301.0, order=2, dyno="cell 1"),
                make_pull("run3.csv", torque=302.0, order=3, session="tuesday"),
                make_pull(
                    "run4.csv",
                    torque=310.0,
                    setup="cooler",
                    order=3,
                    dyno="cell 1",
                    attributes={"relative_to": "base", "changed": "larger cooler", "fan": "2"},
                ),
                make_pull("run5.csv", torque=311.0, setup="cooler", order=4, void="no rise"),
            ]
        )
    return path


@pytest.fixture
def filled(filled_once, path):
    """A copy of that warehouse, to do anything with."""
    shutil.copyfile(filled_once, path)
    return path
