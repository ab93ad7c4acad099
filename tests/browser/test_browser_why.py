"""Why it changed, on the page of a comparison, in a browser."""

from __future__ import annotations

import pytest

import dynostats as ds

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def why_file(cooler_warehouse, tmp_path_factory):
    """Return the report of two charge coolers, every channel logged."""
    with ds.open_warehouse(cooler_warehouse) as warehouse:
        found = warehouse.compare(baseline="thin-core", candidate="deep-core")
        return warehouse.report(found, tmp_path_factory.mktemp("why") / "finding.html")


def test_every_chart_of_it_is_live_and_nothing_complains(visit, why_file):
    seen = visit(why_file)
    assert seen.complaints == []
    assert seen.requests == [why_file.as_uri()]
    for name in ("split", "split_speed", "loss"):
        assert seen.page.locator(f"#figure-{name} .chart.live svg").count() == 1


def test_without_scripts_the_split_is_there(visit, why_file):
    page = visit(why_file, wait=False, java_script_enabled=False).page
    assert page.locator("#figure-split svg").bounding_box()["height"] > 150
    assert "boost (assumed)" in page.locator("section:has(#why) table").first.inner_text()


@pytest.mark.parametrize("scripts", [True, False])
def test_a_phone_needs_no_sideways_scroll(visit, why_file, scripts):
    page = visit(why_file, wait=scripts, viewport=PHONE, java_script_enabled=scripts).page
    assert page.evaluate(OVERFLOW) == 0


def test_the_words_over_the_bars_fit_a_phone(visit, why_file):
    page = visit(why_file, viewport=PHONE).page
    ends = page.eval_on_selector_all(
        "#figure-split svg text", "texts => texts.map(t => t.getBoundingClientRect().right)"
    )
    assert max(ends) <= PHONE["width"]


def test_units_of_the_parts_switch(visit, why_file):
    page = visit(why_file).page
    table = page.locator("section:has(#why) table").first
    assert "kW" in table.inner_text()
    page.check("input[name=units][value=other]")
    assert "hp" in table.inner_text()
    assert "kW" not in table.inner_text()


def test_the_page_with_everything_stays_within_its_size(why_file):
    assert why_file.stat().st_size <= 1_500_000
