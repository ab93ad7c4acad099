"""The page of all past studies in a browser: nothing loaded, nothing cut, readable."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "synthesis"))

from made_history import make_study

from dynostats.analysis.synthesis import Then, tell_history
from dynostats.report import Provenance
from dynostats.report.history import write_history

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
HALF = {"width": 1100, "height": 900}
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
CUT = "[...document.querySelectorAll('.scroll')].map(one => one.scrollWidth - one.clientWidth)"
HOSTILE = "<img src=x onerror='window.hacked=1'>"


@pytest.fixture(scope="session")
def page_file(tmp_path_factory):
    """A history with gains, losses, doubts, fallen claims, long names, and names like markup."""
    made = Then(
        at=datetime(2024, 3, 4, 9),  # noqa: DTZ001 - the shop's clock
        by_eye_pct=-1.2,
        baseline_pulls=2,
        candidate_pulls=2,
        verdict="loss",
        effect_pct=-1.2,
        error=0.002,
        since=("P7 was left out since (boost leak)",),
    )
    studies = [
        make_study("QB-21T", 0.024, candidate="long-runner-manifold", then=made),
        make_study("QB-16N", -0.013, candidate="deep-core", p_value=0.002, verdict="loss"),
        make_study("QB-24C", -0.004, p_value=0.3, verdict="undecided", then=made),
        make_study("mule", 0.002, candidate=HOSTILE, p_value=0.7, verdict="undecided"),
        make_study("other", 0.01, error=None, verdict="undecided"),
        make_study("fifth", 0.02, kind=None, doubts=("One pull is doubtful (P1, spiked); -0.4%.",)),
    ]
    dated = [
        replace(one, study=replace(one.study, started=datetime(2024, 3, 4)))  # noqa: DTZ001
        for one in studies
    ]
    return write_history(
        tell_history(dated),
        tmp_path_factory.mktemp("history") / "history.html",
        provenance=Provenance(version="0.1.0", command="dynostats history", created="2025-05-12"),
    )


@pytest.mark.parametrize(
    "options", [{}, {"viewport": HALF}, {"viewport": PHONE}, {"color_scheme": "dark"}]
)
def test_nothing_is_loaded_and_nothing_runs_over_the_edge(visit, page_file, options):
    seen = visit(page_file, wait=False, **options)
    assert seen.complaints == []
    assert seen.requests == [page_file.as_uri()]
    assert seen.page.evaluate(OVERFLOW) <= 0
    assert seen.page.locator(".chart svg").first.bounding_box()["height"] > 100
    assert seen.page.evaluate("window.hacked === undefined")


def test_no_table_is_cut_on_half_a_screen(visit, page_file):
    page = visit(page_file, wait=False, viewport=HALF).page
    assert page.evaluate(CUT) == [0, 0]


def test_every_minus_is_a_true_one(visit, page_file):
    text = visit(page_file, wait=False).page.locator("main").inner_text()
    assert "\N{MINUS SIGN}1.29" in text
    assert re.findall(r"(?<![\w.])-\d", text) == []


@pytest.mark.parametrize(
    "options", [{}, {"viewport": HALF}, {"color_scheme": "dark"}, {"viewport": PHONE}]
)
def test_no_accessibility_finding(axe_findings, visit, page_file, options):
    page = visit(page_file, wait=False, bypass_csp=True, **options).page
    assert axe_findings(page) == []
