"""The pages of `envelope` and `monitor` in a browser: nothing loaded, nothing cut, readable."""

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
from dynostats.report import Provenance
from dynostats.report.envelope import write_envelope
from dynostats.report.monitor import write_monitoring

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
HOSTILE = "<img src=x onerror='window.hacked=1'>"
PROVENANCE = Provenance(version="0.1.0", command="dynostats …", created="2025-05-12")


@pytest.fixture(scope="session")
def pages(tmp_path_factory):
    """Both pages, each with a finding of danger or change, and text that tries to be markup."""
    folder = tmp_path_factory.mktemp("pages")
    world = World(channels=("lambda", "manifold_pressure", "oil_pressure"))
    rng = np.random.default_rng(1)
    lean = check_envelope(make_reference(world, rng), [new_log(world, rng, **{"lambda": 1.06})])
    levels = steady(20)
    levels[12:] += 2.0
    changed = monitor_cell(scope_of(levels, events=[event(5.5, "service", what=HOSTILE)]))
    return {
        "envelope": write_envelope(lean, folder / "ranges.html", provenance=PROVENANCE),
        "monitor": write_monitoring(changed, folder / "cell.html", provenance=PROVENANCE),
    }


@pytest.mark.parametrize("name", ["envelope", "monitor"])
@pytest.mark.parametrize("options", [{}, {"viewport": PHONE}, {"color_scheme": "dark"}])
def test_nothing_is_loaded_and_nothing_runs_over_the_edge(visit, pages, name, options):
    seen = visit(pages[name], wait=False, **options)
    assert seen.complaints == []
    assert seen.requests == [pages[name].as_uri()]
    assert seen.page.evaluate(OVERFLOW) <= 0
    assert seen.page.locator(".chart svg").first.bounding_box()["height"] > 100
    assert seen.page.evaluate("window.hacked === undefined")


def test_danger_stands_before_everything_else(visit, pages):
    page = visit(pages["envelope"], wait=False).page
    danger = page.get_by_role("alert").bounding_box()
    verdict = page.locator(".verdict").bounding_box()
    assert danger["y"] < verdict["y"]
    assert verdict["y"] + verdict["height"] < 900  # both on the first screen


@pytest.mark.parametrize("name", ["envelope", "monitor"])
@pytest.mark.parametrize("options", [{}, {"color_scheme": "dark"}, {"viewport": PHONE}])
def test_no_accessibility_finding(axe_findings, visit, pages, name, options):
    page = visit(pages[name], wait=False, bypass_csp=True, **options).page
    assert axe_findings(page) == []
