"""Shops to watch."""

from __future__ import annotations

import shutil
from functools import partial

import pytest
from cell_day import Cell, make_shop

from dynostats.analysis.compare import compare_candidates
from dynostats.api import state

# Simulated studies behind each critical value: few, so that days of pulls are quick.
DRAWS = 500


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Let comparisons of a running study simulate less."""
    monkeypatch.setattr(state, "compare_candidates", partial(compare_candidates, draws=DRAWS))


@pytest.fixture(scope="session")
def shop(tmp_path_factory):
    """A warehouse with a declared question, made once."""
    folder = tmp_path_factory.mktemp("shop")
    warehouse, _, plan = make_shop(folder)
    return warehouse, plan


@pytest.fixture
def cell(shop, tmp_path):
    """A watch over a fresh copy of the shop."""
    warehouse, _ = shop
    own = tmp_path / "shop.duckdb"
    shutil.copyfile(warehouse, own)
    logs = tmp_path / "logs"
    logs.mkdir()
    return Cell(own, logs)
