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
    page.select_option("#unit-kw", "hp")
    assert "hp" in table.inner_text()
    assert "kW" not in table.inner_text()


def test_pressures_and_temperatures_switch_in_tables_and_axes_and_back(visit, why_file):
    seen = visit(why_file)
    page = seen.page
    section = page.locator("section:has(#why)")
    loss = section.locator("tbody tr:has(th:has-text('pressure loss'))").first
    heat = section.locator("tbody tr:has(th:has-text('charge temperature, rise'))").first
    before = (loss.inner_text(), heat.inner_text())
    stored = [float(one) for one in loss.locator(".q").evaluate_all(
        "spans => spans.map(span => span.dataset.value)")]  # fmt: skip
    ticks = "[...document.querySelectorAll('#figure-loss svg text')].map(t => t.textContent)"
    page.select_option("#unit-kpa", "psi")
    page.select_option("#unit-k", "°F")
    # 1 psi = 6.894757 kPa. Source: NIST SP 811, appendix B.9. One decimal more says as much.
    shown = [
        float(one.replace("\N{MINUS SIGN}", "-")) for one in loss.locator(".q").all_inner_texts()
    ]
    assert shown == pytest.approx([value / 6.894757 for value in stored], abs=5.1e-4)
    assert "[psi]" in loss.inner_text()
    assert "[°F]" in heat.inner_text()
    page.wait_for_function(f"{ticks}.includes('Pressure loss [psi]')")
    kilopascals = stored[-2:]  # the candidate's bounds; the axis ends above the largest loss
    numbers = [float(one) for one in page.evaluate(ticks) if one.replace(".", "").isdigit()]
    assert max(one for one in numbers if one < 50) < 2.5 * max(kilopascals) / 6.894757
    page.select_option("#unit-kpa", "inHg")
    assert "[inHg]" in loss.inner_text()
    page.select_option("#unit-kpa", "kPa")
    page.select_option("#unit-k", "K")
    assert (loss.inner_text(), heat.inner_text()) == before
    assert seen.complaints == []


def test_the_page_with_everything_stays_within_its_size(why_file):
    assert why_file.stat().st_size <= 1_500_000
