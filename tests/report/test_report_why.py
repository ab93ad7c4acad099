"""Why it changed, on the page of a comparison: the same split as everywhere else."""

from __future__ import annotations

import dataclasses
import re
import sys
from pathlib import Path

import polars as pl
import pytest
from comparison_example import example_comparison
from page_reader import PageReader

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from explained import PAST, sessions_of

from dynostats.analysis.attribution import attribute
from dynostats.analysis.question import Question
from dynostats.charts.theme import MINUS
from dynostats.report import render_markdown, render_report
from dynostats.report.view.why import build_why
from dynostats.simulate.causes import CauseModel

QUESTION = Question(engine="mill", baseline="A", candidate="B")
WIDE = CauseModel(pull_sd_pct=(1.0, 0.8, 1.0))


COMPARED = example_comparison()


def split_of(*runs, drop=(), **options):
    """Return why simulated pulls differ."""
    pulls, curves, _ = sessions_of(*runs, **options)
    return attribute(pulls, curves.drop(*drop), QUESTION)


@pytest.fixture(scope="module")
def assumed():
    return split_of("ABBA", "AAA")


@pytest.fixture(scope="module")
def assumed_page(assumed):
    return render_report(COMPARED, split=assumed)


def section(page):
    (found,) = re.findall(r'<section aria-labelledby="why">.*?</section>', page, re.DOTALL)
    return found


def signed(value):
    return f"{value:+.2f}".replace("-", MINUS)


def test_every_part_stands_there_with_its_interval_and_what_it_rests_on(assumed, assumed_page):
    text = PageReader(section(assumed_page)).text
    for part in assumed.parts:
        assert f"{signed(part.effect_pct)}%" in text
        assert f"{signed(part.effect_kw)[:-1]}" in text
        assert signed(part.low_pct).lstrip("+") in text.replace("+", "")
    assert "boost (assumed)" in text
    assert "2 pulls against 2; exponent assumed" in text
    assert "3 other pulls of the engine" in text
    assert "what is left of the difference" in text


def test_what_was_measured_is_said_to_be(assumed_page):
    split = split_of(*PAST, "ABBA", "ABBA", model=WIDE)
    assert split.identified
    view = build_why(COMPARED, split, "")
    assert all("exponent measured from these pulls and" in row.basis for row in view.parts[:3])
    assert not any("assumed" in row.name + row.basis for row in view.parts)
    assert view.assumed == ()
    assert "If the exponent were" in PageReader(section(assumed_page)).text


def test_it_is_called_an_accounting_and_no_proof(assumed_page):
    text = PageReader(section(assumed_page)).text
    assert "accounting, not a causal proof" in text
    assert "no leave to raise boost" in text


def test_warnings_of_the_split_stand_with_it(assumed, assumed_page):
    text = PageReader(section(assumed_page)).text
    for warning in assumed.warnings:
        assert warning in text


def test_parts_by_speed_are_printed_with_their_intervals(assumed, assumed_page):
    text = PageReader(section(assumed_page)).text
    row = assumed.curve.filter(rpm=4000.0).row(0, named=True)
    assert f"{signed(row['boost_pct'])} (" in text[text.index("4,000") :]


def test_pictures_of_the_split_need_no_script(assumed_page):
    for name in ("split", "split_speed", "partial_boost"):
        (picture,) = re.findall(rf'data-chart="{name}".*?</div>', assumed_page, re.DOTALL)
        assert picture.count("<svg") == 1


@pytest.mark.parametrize(("gone", "word"), [("manifold_pressure", "Boost"), ("lambda", "Mixture")])
def test_a_channel_that_is_not_there_is_named(gone, word):
    view = build_why(COMPARED, split_of("ABBA", "AAA", drop=(gone,)), "")
    (told,) = (note for note in view.notes if f"{word} cannot be told apart" in note)
    assert "was not logged" in told
    assert word.lower() not in view.names


def test_without_channels_one_sentence_says_so():
    gone = ("manifold_pressure", "charge_temperature", "lambda")
    page = section(render_report(COMPARED, split=split_of("ABBA", "AAA", drop=gone)))
    text = PageReader(page).text
    assert "cannot be split by cause: boost (no pull has absolute manifold pressure" in text
    assert "<table" not in page
    assert "<svg" not in page


def test_a_split_that_was_refused_says_why():
    page = render_markdown(COMPARED, refused="The difference cannot be split: reasons.")
    assert "cannot be split: reasons." in page


def test_without_a_split_there_is_no_section(page):
    assert 'id="why"' not in page
    assert "Why it changed" not in render_markdown(COMPARED)


def test_names_are_shown_as_text_only():
    hostile = "<script>alert(1)</script>"
    pulls, curves, _ = sessions_of("ABBA", "AAA")
    renamed = pulls.with_columns(setup=pl.col("setup") + hostile)
    question = Question(engine="mill", baseline="A" + hostile, candidate="B" + hostile)
    split = attribute(renamed, curves, question)
    page = render_report(COMPARED, split=split)
    assert "<script>alert" not in page


def test_a_corrected_answer_and_its_split_are_not_mixed_up(assumed):

    corrected = dataclasses.replace(COMPARED, correction="sae_j1349")
    view = build_why(corrected, assumed, "")
    assert "torque as measured; the answer above is corrected by sae_j1349" in view.notes[0]
    assert view.total.basis == "see the notes below"


def test_a_split_of_the_same_band_is_that_of_the_answer(assumed):
    view = build_why(dataclasses.replace(COMPARED, band=assumed.band), assumed, "")
    assert view.total.basis == "as in the answer above"
    assert any("split holds for" in note for note in build_why(COMPARED, assumed, "").notes)


def test_the_page_stays_within_its_size(assumed_page):
    assert len(assumed_page.encode()) <= 1_500_000


def test_markdown_holds_the_same_parts(assumed):
    text = render_markdown(COMPARED, split=assumed)
    for part in assumed.parts:
        assert f"{abs(part.effect_pct):.2f}%" in text
    lines = [line for line in text.splitlines() if "whole difference" in line]
    assert len(lines) == 2


def test_figures_beside_torque_stand_there_with_their_cautions(assumed, assumed_page):
    # Lambda alone was logged of fuel and mixture, and nothing of a cooler.
    text = PageReader(section(assumed_page)).text
    (lam,) = (one for one in assumed.fuel.figures if one.name == "lambda")
    assert f"{lam.baseline.value:.4f} ({lam.baseline.low:.4f} to" in text
    assert "Fuel consumption cannot be told" in text
    assert "None of these readings tells how far the engine is from knock" in text
    assert "The charge cooler" not in text
    assert "how far the engine is from knock" in render_markdown(COMPARED, split=assumed)
