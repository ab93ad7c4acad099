"""Published and recomputed regressions, as frames with their expected numbers."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

# Each with its source and how the numbers were made: NIST's certified values, or R.
CASES = json.loads(
    (Path(__file__).parents[1] / "reference" / "regressions.json").read_text("utf-8")
)


@pytest.fixture(scope="session")
def case():
    """Give a case's rows and its expected numbers, by its name."""

    def of(name):
        return pl.DataFrame(CASES[name]["data"], strict=False), CASES[name]

    return of
