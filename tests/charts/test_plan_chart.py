from __future__ import annotations

import pytest

from dynostats.analysis.planning.cell import assume_noise
from dynostats.analysis.planning.plan import Aim, make_plan
from dynostats.charts.planning import plan_chart


def test_the_chart_shows_what_is_seen_the_aim_and_the_plan():
    plan = make_plan(Aim(effect_pct=1.5), assume_noise(), seed=1)
    spec = plan_chart(plan).to_dict()
    assert [layer["mark"]["type"] for layer in spec["layer"]] == ["line", "point", "rule", "point"]
    encoding = spec["layer"][0]["encoding"]
    assert encoding["x"]["title"] == "Pulls of each setup, 1 session(s)"
    assert encoding["y"]["title"] == "Smallest effect seen with a chance of 80% [%]"
    rows = [row for data in spec["datasets"].values() for row in data]
    assert {"pct": 1.5} in rows
    seen = {row["n"]: row["pct"] for row in rows if "n" in row}
    assert seen == pytest.approx(dict(plan.detectable.drop_nulls().select("n", "pct").iter_rows()))
