"""The charts of envelope checks and of the cell over time, by their specification."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from envelope_world import World, make_reference, new_log
from test_monitor import event, scope_of, steady

from dynostats.analysis.envelope import check_envelope
from dynostats.analysis.monitor import monitor_cell
from dynostats.charts.envelope import envelope_chart
from dynostats.charts.monitor import ewma_chart, individuals_chart, range_chart, within_chart

WORLD = World(channels=("lambda", "manifold_pressure"))


@pytest.fixture(scope="module")
def lean():
    reference = make_reference(WORLD, np.random.default_rng(1))
    return check_envelope(reference, [new_log(WORLD, np.random.default_rng(2), **{"lambda": 1.06})])


@pytest.fixture(scope="module")
def changed():
    levels = steady(20)
    levels[12:] += 2.0
    return monitor_cell(scope_of(levels, events=[event(5.5, "service", what="<b>filters</b>")]))


def rows_of(spec, *fields):
    return [row for rows in spec["datasets"].values() for row in rows if set(fields) <= set(row)]


def marks(spec):
    return [layer["mark"]["type"] for layer in spec["layer"]]


def titles(spec, axis):
    return {
        layer["encoding"][axis]["title"] for layer in spec["layer"] if axis in layer["encoding"]
    }


def test_a_band_has_its_runs_over_it_and_marks_what_lies_outside(lean):
    spec = envelope_chart(lean).to_dict()
    assert marks(spec) == ["area", "line", "line", "point", "text", "text", "rule"]
    assert titles(spec, "y") == {"Mixture (lambda) [lambda]"}
    assert titles(spec, "x") == {"Engine speed [rpm]"}
    assert rows_of(spec, "low", "high")[0]["low"] < rows_of(spec, "low", "high")[0]["high"]
    outside = lean.points.filter("outside", channel="lambda")
    assert len(rows_of(spec, "value", "run")) >= outside.height > 10


def test_the_channel_that_matters_most_is_drawn_first(lean):
    assert envelope_chart(lean).to_dict() == envelope_chart(lean, "lambda").to_dict()
    other = envelope_chart(lean, "manifold_pressure").to_dict()
    assert "kPa" in titles(other, "y").pop()


def test_individuals_have_limits_a_change_and_the_events(changed):
    spec = individuals_chart(changed).to_dict()
    assert marks(spec) == [
        *["rule", "text", "rule", "rule", "text"],  # centre and limits, two of them named
        *["rule", "rule", "text"],  # the change, the event
        *["line", "point", "point", "rule"],
    ]
    assert titles(spec, "y") == {"Torque, session mean [%]"}
    assert titles(spec, "x") == {"Session, in order of time"}
    (placed,) = rows_of(spec, "event", "what")
    assert placed["place"] == 6.5  # between the sixth and the seventh session
    assert [row for row in rows_of(spec, "place") if set(row) == {"place"}] == [{"place": 12.5}]


def test_limits_belong_to_their_segment(changed):
    spec = individuals_chart(changed).to_dict()
    centres = [row["centre"] for row in rows_of(spec, "first", "last", "centre")]
    assert len(centres) == 20
    assert len({round(value, 9) for value in centres}) == 2


def test_user_text_stays_in_the_data(changed):
    spec = individuals_chart(changed).to_dict()
    text = str({key: value for key, value in spec.items() if key != "datasets"})
    assert "filters" not in text
    assert rows_of(spec, "event", "what")[0]["what"] == "<b>filters</b>"


@pytest.mark.parametrize(
    ("draw", "words"),
    [(range_chart, "moving range"), (within_chart, "SD within"), (ewma_chart, "running mean")],
)
def test_the_other_charts_say_what_they_show(changed, draw, words):
    spec = draw(changed).to_dict()
    assert all(words in title for title in titles(spec, "y"))
    assert spec["layer"]
