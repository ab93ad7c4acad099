"""The page of all studies in a browser: search, order, no scripts, print, dark."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from comparison_example import example_comparison, without_noise

from dynostats.analysis.study_list import Study, StudyList
from dynostats.report.studies import write_studies

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
HOSTILE = "<img src=x onerror='window.hacked=1'>"
EVERY = ("gain", "loss", "no_meaningful_change", "mixed", "undecided")


def a_study(at, candidate, finding, kind=None):
    return Study(
        engine=f"E-{at}",
        baseline="stock",
        candidate=candidate,
        origin="named" if kind else "met",
        kind=kind,
        changed=None,
        when=datetime(2024, 5, 1) + timedelta(days=30 * at),  # noqa: DTZ001 - the shop's own clock
        finding=finding,
        why="" if finding else "no common speeds",
    )


@pytest.fixture(scope="module")
def studies_file(tmp_path_factory):
    """Seven studies, latest first: each verdict, one that could not be judged, hostile names."""
    found = [a_study(at, f"part-{at}", example_comparison(verdict=one), "exhaust")
             for at, one in enumerate(EVERY, start=1)]  # fmt: skip
    found += [a_study(6, HOSTILE, without_noise()), a_study(7, "part-7", None)]
    folder = tmp_path_factory.mktemp("studies")
    reports = {("E-1", "stock", "part-1"): folder / "a report.html"}
    return write_studies(
        StudyList(studies=tuple(reversed(found))), folder / "studies.html", reports=reports
    )


def shown(page):
    return [one.inner_text() for one in page.locator(".studies tbody tr:visible th").all()]


@pytest.mark.parametrize("options", [{}, {"viewport": PHONE}, {"color_scheme": "dark"}])
def test_nothing_is_loaded_run_or_cut(visit, studies_file, options):
    seen = visit(studies_file, wait=False, **options)
    assert seen.complaints == []
    assert seen.requests == [studies_file.as_uri()]
    assert seen.page.evaluate(OVERFLOW) <= 0
    assert seen.page.evaluate("window.hacked === undefined")
    assert f"{HOSTILE} against stock" in shown(seen.page)


def test_the_search_keeps_rows_with_all_words(visit, studies_file):
    page = visit(studies_file, wait=False).page
    page.get_by_label("Search").focus()
    page.keyboard.type("gain exhaust")
    # "Mixed: gain and loss" is the other one; "against" stands in every row.
    assert shown(page) == ["part-4 against stock", "part-1 against stock"]
    assert page.locator("#shown").inner_text() == "2 of 7 studies"
    page.keyboard.type(" nowhere")
    assert shown(page) == []
    assert page.locator("#none").is_visible()
    page.get_by_label("Search").fill("([*")
    assert shown(page) == []
    page.get_by_label("Search").fill("")
    assert len(shown(page)) == 7


def test_columns_are_sorted_by_keyboard_with_the_unknown_last(visit, studies_file):
    page = visit(studies_file, wait=False).page
    head = page.get_by_role("columnheader", name="Difference")
    page.get_by_role("button", name="Difference").focus()
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    assert shown(page)[-1] == "part-7 against stock"
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "descending"
    assert shown(page)[-1] == "part-7 against stock"
    page.get_by_role("button", name="Last pull").click()
    assert shown(page)[0] == "part-1 against stock"
    assert head.get_attribute("aria-sort") is None


def test_without_scripts_it_is_a_plain_table(visit, studies_file):
    page = visit(studies_file, wait=False, java_script_enabled=False).page
    assert len(shown(page)) == 7
    assert not page.locator(".finder").is_visible()
    assert page.get_by_role("link", name="part-1 against stock").get_attribute("href") == (
        "a%20report.html"
    )
    assert page.locator(".spark svg").count() == 6


@pytest.mark.parametrize("options", [{}, {"color_scheme": "dark"}, {"viewport": PHONE}])
def test_no_accessibility_finding(axe_findings, visit, studies_file, options):
    page = visit(studies_file, wait=False, bypass_csp=True, **options).page
    assert axe_findings(page) == []


def test_it_prints_without_the_search(visit, studies_file):
    page = visit(studies_file, wait=False).page
    page.emulate_media(media="print")
    assert not page.locator(".finder").is_visible()
    assert page.pdf(format="A4")[:5] == b"%PDF-"
