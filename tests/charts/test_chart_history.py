"""The forest of past studies, by its rows and marks."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "analysis" / "synthesis"))
from made_history import make_study

from dynostats.analysis.synthesis import tell_history
from dynostats.charts.history import forest_chart, forest_rows


@pytest.fixture(scope="module")
def history():
    coolers = [make_study(n, e) for n, e in zip("abc", (0.02, 0.03, 0.025), strict=True)]
    return tell_history([*coolers, make_study("d", 0.001, kind=None, p_value=0.8)])


def test_a_kind_stands_below_its_studies_and_what_has_no_kind_last(history):
    rows = forest_rows(history)
    assert rows["of"].to_list() == ["found"] * 3 + ["kind", "study"]
    assert rows["label"][3] == "cooler: 3 engines"
    kind = rows.row(3, named=True)
    assert kind["next_low"] < kind["low"] < kind["effect"] < kind["high"] < kind["next_high"]


def test_the_axis_says_what_is_drawn_and_in_what_unit(history):
    spec = forest_chart(history).to_dict()
    titles = {
        layer["encoding"]["x"].get("title")
        for layer in spec["layer"]
        if isinstance(layer["encoding"].get("x"), dict)
    }
    assert "Effect, mean over the band [%]" in titles
    assert {layer["mark"]["type"] for layer in spec["layer"]} == {"point", "bar", "rule"}


def test_names_stand_in_the_data_only():
    chart = forest_chart(tell_history([make_study("datum.x", candidate="'};alert(1)")]))
    spec = chart.to_dict()
    assert "alert" not in str(spec["layer"])
