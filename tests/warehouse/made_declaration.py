"""A declared question with its run sheet and a look, as the warehouse takes them."""

from __future__ import annotations

from datetime import datetime

QUESTION = {
    "engine": "mule",
    "dyno": None,
    "baseline": "base",
    "candidate": "cooler",
    "quantity": "power",
    "band_low": 2500.0,
    "band_high": 6000.0,
    "correction": None,
    "margin_pct": 0.5,
    "alpha": 0.05,
    "effect_pct": 1.5,
    "power": 0.8,
    "pulls_per_setup": 2,
    "looks": 2,
    "rule": "lan_demets_obrien_fleming",
    "seed": 7,
    "who": "test",
}
RUN_SHEET = [
    {
        "place": place,
        "session": "friday",
        "role": role,
        "setup": setup,
        "run_order": order,
        "file": f"friday-{place}.csv",
        "note": "",
    }
    for place, (role, setup, order) in enumerate(
        [("warm_up", "warm-up", None), ("A", "base", 1), ("B", "cooler", 2)], start=1
    )
]
LOOK = {
    "look": 1,
    "taken_at": datetime(2025, 5, 1, 9, 30),  # noqa: DTZ001 - UTC without zone, as stored
    "pairs": 1,
    "information": 0.5,
    "df": 4.5,
    "level": 0.0,
    "verdict": "undecided",
    "decision": "go on",
    "effect_pct": 1.2,
    "low_pct": None,
    "high_pct": None,
}
