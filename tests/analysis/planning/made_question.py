"""A declared question about the engine of the small studies."""

from __future__ import annotations

from datetime import datetime

from dynostats.analysis.planning.declaration import Declaration
from dynostats.analysis.planning.run_sheet import Names, lay_run_sheet

DECLARED_AT = datetime(2025, 5, 1, 8, 0)  # noqa: DTZ001 - UTC without zone, as stored
NAMES = Names(engine="mill", dyno="cell", baseline="A", candidate="B", session="day")


def declaration(order="ABBA", **changed):
    """Return a declared question of as many pulls as the order holds."""
    given = {
        "number": 1,
        "engine": "mill",
        "dyno": "cell",
        "baseline": "A",
        "candidate": "B",
        "quantity": "power",
        "band": (2000.0, 4000.0),
        "correction": None,
        "margin_pct": 0.5,
        "alpha": 0.05,
        "effect_pct": 1.0,
        "power": 0.8,
        "pulls_per_setup": order.count("A"),
        "looks": 1,
        "rule": "pocock",
        "seed": 3,
        "who": "Ada",
        "declared_at": DECLARED_AT,
        "rows": lay_run_sheet([tuple(order)], NAMES),
    }
    return Declaration(**(given | changed))
