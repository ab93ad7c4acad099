"""The search by shape as a user meets it, on the demo's shop."""

from __future__ import annotations

import pytest

import dynostats as ds
from dynostats.errors import AnalysisError, InputError, WarehouseError


@pytest.fixture
def wh(demo_warehouse):
    return ds.open_warehouse(demo_warehouse)


def test_the_nearest_of_a_pull_are_its_own_repeats(run, demo_warehouse, wh):
    (asked, *_) = wh.query("select pull from pulls where setup = 'outlet-70' order by pull").frame[
        "pull"
    ]
    ran = run("--warehouse", demo_warehouse, "similar", asked, "--by", "level", "--json")
    assert ran.status == 0
    found = ran.json()
    assert found["matches"][0]["setup"] == "outlet-70"
    assert found["matches"][0]["like"] == "one_session"
    assert found["unit"] == "%"
    assert found["matches"] == sorted(found["matches"], key=lambda m: m["whole_pct"])
    # The effect between the two outlets is +2.5% (datasets/demo/truth.json): it shows as level.
    apart = [m for m in found["matches"] if m["setup"] == "outlet-54"]
    assert apart
    assert all("level" in m["differs"] for m in apart if m["level_pct"] < -1.5)


@pytest.mark.parametrize("by", ["shape", "level", "channels", "conditions"])
def test_every_order_is_rising_and_prints(run, demo_warehouse, wh, by):
    found = wh.similar("P50", by=by, most=5)
    assert found.matches["distance"].is_sorted()
    assert found.matches.height == 5
    assert "P50" not in found.matches["pull"].to_list()
    ran = run("--warehouse", demo_warehouse, "similar", "P50", "--by", by, "--most", 5)
    assert ran.status == 0
    assert "most like P50" in ran.out


def test_channels_asked_for_are_shown_in_sds(wh):
    found = wh.similar("P50", channels=["lambda"], most=3)
    assert {"lambda_difference", "lambda_sd"} <= set(found.matches.columns)
    assert found.noise[0].sd > 0


def test_it_draws_and_shows_itself(wh):
    found = wh.similar("P50", most=3)
    drawn = found.chart().to_dict()
    assert "Difference from P50 [%]" in str(drawn)
    shown = found._repr_html_()
    assert "<svg" in shown
    assert found.answer.split(".")[0] in shown


def test_what_cannot_be_searched_is_said(run, demo_warehouse, wh):
    ran = run("--warehouse", demo_warehouse, "similar", "P500", "--json")
    assert ran.status == 1
    assert "Did you mean 'P50'?" in ran.json()["error"]["mend"]
    with pytest.raises(AnalysisError, match="covers nothing of 100 to 200 rpm"):
        wh.similar("P50", band=(100.0, 200.0))
    with pytest.raises(AnalysisError, match="no other pull covers 100%") as refused:
        wh.similar("P1", least_overlap=1.0, engine="QB-21T")
    assert "--overlap" in refused.value.mend
    with pytest.raises(InputError, match="ordered by 'colour'"):
        wh.similar("P50", by="colour")
    with pytest.raises(InputError, match="least overlap is 0"):
        wh.similar("P50", least_overlap=0.0)
    with pytest.raises(WarehouseError, match="no curves of boost"):
        wh.similar("P50", channels=["boost"])
    assert run("--warehouse", demo_warehouse, "similar", "P50", "--by", "x").status == 2
