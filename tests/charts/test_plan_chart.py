from __future__ import annotations

import sys
from pathlib import Path

import pytest

from dynostats.analysis.planning.cell import assume_noise
from dynostats.analysis.planning.declaration import Look
from dynostats.analysis.planning.plan import Aim, make_plan
from dynostats.charts.planning import looks_chart, plan_chart

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "planning"))
from made_question import declaration


def test_the_chart_shows_what_is_seen_the_aim_and_the_plan():
    plan = make_plan(Aim(effect_pct=1.5), assume_noise(), seed=1)
    spec = plan_chart(plan).to_dict()
    marks = [layer["mark"]["type"] for layer in spec["layer"]]
    assert marks == ["line", "point", "rule", "text", "point"]
    encoding = spec["layer"][0]["encoding"]
    assert encoding["x"]["title"] == "Pulls of each setup, in 1 session"
    assert encoding["y"]["title"] == "Smallest effect seen with a chance of 80% [%]"
    rows = [row for data in spec["datasets"].values() for row in data]
    assert {"pct": 1.5, "words": "wanted: 1.5%"} in rows
    seen = {row["n"]: row["pct"] for row in rows if "n" in row}
    assert seen == pytest.approx(dict(plan.detectable.drop_nulls().select("n", "pct").iter_rows()))


def test_a_look_without_bounds_has_a_point_only():
    given = {"df": 9.0, "verdict": "undecided", "decision": "go on"}
    early = Look(
        number=1,
        pairs=1,
        information=0.5,
        level=0.0,
        effect_pct=1.5,
        low_pct=None,
        high_pct=None,
        **given,
    )
    late = Look(
        number=2,
        pairs=2,
        information=1.0,
        level=0.04,
        effect_pct=1.2,
        low_pct=0.4,
        high_pct=2.0,
        **given,
    )
    spec = looks_chart(declaration("ABBA"), (early, late)).to_dict()
    marks = [layer["mark"]["type"] for layer in spec["layer"]]
    assert marks == ["rule", "rule", "text", "rule", "point"]
    rows = [row for data in spec["datasets"].values() for row in data if "pairs" in row]
    assert {row["pairs"]: row["low_pct"] for row in rows} == {1: None, 2: 0.4}
    assert spec["layer"][4]["encoding"]["y"]["title"] == "Effect, mean over the band [%]"
