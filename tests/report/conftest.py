"""A rendered example page, made once for the tests that only read it."""

from __future__ import annotations

import pytest
from comparison_example import example_comparison

from dynostats.report import Provenance, Shop, render_report

SHOP = Shop(
    name="Example Workshop",
    address=("1 Test Lane", "Sampletown"),
    remarks=("The air filter was new for both setups.",),
)
PROVENANCE = Provenance(
    version="0.1.0",
    command='dynostats compare --baseline "stock downpipe" --candidate "wide downpipe"',
    warehouse="example.duckdb",
    warehouse_hash="3f5c" * 16,
    created="2024-05-12T15:20:00",
    sources=(("run1.csv", "ab" * 32),),
)


@pytest.fixture(scope="session")
def result():
    return example_comparison()


@pytest.fixture(scope="session")
def page(result):
    return render_report(result, shop=SHOP, provenance=PROVENANCE)
