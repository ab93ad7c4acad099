"""The demo shop's questions, from simulated logs to the answer, graded against what is true."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dynostats.analysis.compare import compare
from dynostats.analysis.question import Question
from dynostats.curves import curve_of, find_sweeps
from dynostats.simulate import demo_shop


def frames_of(shop):
    """Return the pulls and curves of a shop, aborted pulls excluded."""
    void = {pull.file for pull in shop.void_pulls()}
    rows, curves = [], []
    for pull in shop.pulls:
        (sweep,) = find_sweeps(pull.samples).pulls
        curve = curve_of(pull.samples, sweep)
        curves.append(curve.select(pl.lit(pull.file).alias("pull"), "rpm", "torque"))
        rows.append(
            {
                "pull": pull.file,
                "file": pull.file,
                "engine": pull.engine,
                "dyno": pull.dyno,
                "session": pull.session,
                "setup": pull.setup,
                "order": pull.order,
                "started": pull.started,
                "state": "excluded" if pull.file in void else "accepted",
                "why": pull.notes if pull.file in void else None,
                "rpm_low": curve["rpm"].min(),
                "rpm_high": curve["rpm"].max(),
            }
        )
    return pl.DataFrame(rows, schema_overrides={"why": pl.String}), pl.concat(curves)


def answers_of(shop):
    """Return each question's truth and answer."""
    pulls, curves = frames_of(shop)
    for truth, question in zip(shop.truths, shop.questions, strict=True):
        asked = Question(
            engine=truth.engine, baseline=question.baseline, candidate=question.candidate
        )
        yield question, truth, compare(pulls, curves, asked, draws=1000)


def true_effect(truth, found):
    """Return the true effect at the speeds of the answer, percent."""
    return np.interp(found.curve["rpm"], truth.curve["rpm"], truth.curve["effect_pct"])


def holds(truth, found):
    """Tell whether the whole true curve and its band mean lie inside the bounds."""
    true = true_effect(truth, found)
    low, high = (found.curve[name].to_numpy() for name in ("low_pct", "high_pct"))
    inside = (low <= true) & (true <= high)
    return bool(inside.all()) and found.overall.low_pct <= true.mean() <= found.overall.high_pct


@pytest.fixture(scope="module")
def demo():
    return {
        question.name: (question, truth, found)
        for question, truth, found in answers_of(demo_shop())
    }


@pytest.mark.parametrize("name", ["outlet", "timing", "oil"])
def test_the_truth_of_the_demo_lies_inside_the_stated_interval(demo, name):
    _, truth, found = demo[name]
    assert holds(truth, found)


@pytest.mark.parametrize("name", ["outlet", "timing", "oil"])
def test_the_demo_gets_the_verdict_that_its_data_support(demo, name):
    question, _, found = demo[name]
    assert found.verdict == question.honest_verdict


def test_the_claims_of_the_demo_are_true(demo):
    for _, truth, found in demo.values():
        true = true_effect(truth, found)
        rpm = found.curve["rpm"].to_numpy()
        for region in found.regions:
            own = true[(rpm >= region.from_rpm) & (rpm <= region.to_rpm)]
            if region.verdict == "gain":
                assert (own > 0.0).all()
            elif region.verdict == "loss":
                assert (own < 0.0).all()
            elif region.verdict == "no_meaningful_change":
                assert (np.abs(own) < found.margin_pct).all()


def test_the_aborted_pull_is_out_of_the_answer(demo):
    _, _, found = demo["outlet"]
    assert found.pulls.excluded == 1
    assert any("hose" in text for text in found.warnings)


def test_another_shop_with_the_same_engines_holds_its_truth_too(demo):
    # Six answers with the demo's own three, at 95%. Fewer than four holding has probability 0.002.
    others = [holds(truth, found) for _, truth, found in answers_of(demo_shop(1))]
    own = [holds(truth, found) for _, truth, found in demo.values()]
    assert len(others + own) == 6
    assert sum(others + own) >= 4
