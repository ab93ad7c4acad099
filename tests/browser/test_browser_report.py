from __future__ import annotations

import pytest
from comparison_example import example_comparison, without_noise

from dynostats.charts.theme import DARK_PALETTE, PALETTE
from dynostats.report import window_effect, write_report

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
HOSTILE = "</script><script>window.hacked=1</script><img src=x onerror='window.hacked=2'>"
ALL_CHARTS = 8
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def rgb(color):
    return "rgb({}, {}, {})".format(*(int(color[i : i + 2], 16) for i in (1, 3, 5)))


def set_slider(page, selector, value):
    page.eval_on_selector(
        selector,
        "(input, value) => { input.value = value; input.dispatchEvent(new Event('input')); }",
        value,
    )


def in_other_units(page):
    page.select_option("#unit-kw", "hp")
    page.select_option("#unit-nm", "lb·ft")


def in_stored_units(page):
    page.select_option("#unit-kw", "kW")
    page.select_option("#unit-nm", "N·m")


def read_window(page):
    data = page.eval_on_selector("#window-out", "out => ({...out.dataset})")
    assert data.pop("level") == "95%"
    return {key: float(value) for key, value in data.items()}


def test_no_complaint_and_no_request_but_the_file_itself(visit, report_file):
    seen = visit(report_file)
    assert seen.complaints == []
    assert seen.requests == [report_file.as_uri()]


def test_every_chart_is_live(visit, report_file):
    page = visit(report_file).page
    assert page.locator(".chart.live svg").count() == ALL_CHARTS
    assert page.locator(".chart svg").count() == ALL_CHARTS


def test_without_scripts_pictures_and_numbers_are_there(visit, report_file):
    page = visit(report_file, wait=False, java_script_enabled=False).page
    assert page.locator(".chart svg").count() == ALL_CHARTS
    assert page.locator(".chart svg").first.bounding_box()["height"] > 200
    assert page.locator("tbody tr").count() > 100
    assert not page.locator(".tools").is_visible()


def test_the_answer_and_the_curve_are_on_the_first_screen(visit, report_file):
    page = visit(report_file).page
    for selector in (".badge", ".sentence", "#figure-effect svg"):
        box = page.locator(selector).first.bounding_box()
        assert box["y"] + box["height"] <= 900, selector


def test_on_a_phone_the_curve_is_on_the_first_screen_and_the_notes_are_told_of(visit, tmp_path):
    notes = ("A first note.", "A second one. " * 30)
    path = write_report(example_comparison(warnings=notes), tmp_path / "notes.html")
    page = visit(path, viewport=PHONE).page
    curve, below = (page.locator(one).bounding_box() for one in ("#figure-effect svg", "#notes"))
    assert curve["y"] + 200 < PHONE["height"]
    assert below["y"] > curve["y"] + curve["height"]
    link = page.get_by_role("link", name="2 notes below the curve")
    assert link.bounding_box()["y"] < curve["y"]
    link.click()
    assert page.locator("#notes").bounding_box()["y"] < PHONE["height"] / 2


@pytest.mark.parametrize("scripts", [True, False])
def test_a_phone_needs_no_sideways_scroll(visit, report_file, scripts):
    page = visit(
        report_file,
        wait=scripts,
        viewport=PHONE,
        java_script_enabled=scripts,
    ).page
    assert page.locator("main").bounding_box()["width"] <= PHONE["width"]
    # Scripts of the test itself run even where the page's own are off.
    assert page.evaluate(OVERFLOW) == 0


def test_text_in_live_charts_keeps_its_size_on_a_phone(visit, report_file):
    page = visit(report_file, viewport=PHONE).page
    width = page.locator("#figure-effect svg").bounding_box()["width"]
    assert width <= PHONE["width"]
    scale = page.eval_on_selector(
        "#figure-effect svg", "svg => svg.getBoundingClientRect().width / svg.viewBox.baseVal.width"
    )
    assert scale > 0.9


def test_the_window_gives_the_numbers_python_gives(visit, report_file):
    page = visit(report_file).page
    for low, high in ((2400, 6800), (3000, 4200), (5000, 5000), (4150, 6750)):
        set_slider(page, "#window-low", 2400)
        set_slider(page, "#window-high", high)
        set_slider(page, "#window-low", low)
        found = read_window(page)
        expected = window_effect(example_comparison(), low_rpm=low, high_rpm=high)
        assert found["n"] == expected.n_speeds
        assert found["effect"] == pytest.approx(expected.effect_pct, rel=1e-10)
        assert found["low"] == pytest.approx(expected.low_pct, rel=1e-10)
        assert found["high"] == pytest.approx(expected.high_pct, rel=1e-10)
        shown = page.locator("#window-out").inner_text()
        assert f"{low:,} to {high:,} rpm" in shown
        assert f"{expected.effect_pct:+.2f}%".replace("-", "\N{MINUS SIGN}") in shown


def test_the_window_is_moved_by_keyboard(visit, report_file):
    page = visit(report_file).page
    page.focus("#window-low")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.locator("#window-out").inner_text().startswith("2,550 to 6,800 rpm")
    assert page.get_attribute("#window-low", "aria-valuetext") == "2,550 rpm"


def test_the_ends_of_the_window_push_each_other(visit, report_file):
    page = visit(report_file).page
    set_slider(page, "#window-high", 3000)
    set_slider(page, "#window-low", 4000)
    assert page.locator("#window-out").inner_text().startswith("4,000 to 4,000 rpm")


def test_dragging_over_the_curve_sets_the_window(visit, report_file):
    page = visit(report_file).page
    box = page.locator("#figure-effect svg").bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, y, steps=4)
    page.mouse.move(box["x"] + box["width"] * 0.7, y, steps=4)
    page.mouse.up()
    low, high = (float(page.input_value(f"#window-{end}")) for end in ("low", "high"))
    assert 3800 < low < 4400
    assert 5200 < high < 5800
    found = read_window(page)
    expected = window_effect(example_comparison(), low_rpm=low, high_rpm=high)
    assert found["effect"] == pytest.approx(expected.effect_pct, rel=1e-10)


def test_a_window_without_noise_gives_no_interval(visit, tmp_path):
    path = write_report(without_noise(), tmp_path / "unknown.html")
    seen = visit(path)
    assert seen.complaints == []
    set_slider(seen.page, "#window-low", 3000)
    assert "no interval, the noise is unknown" in seen.page.locator("#window-out").inner_text()


def test_units_switch_everywhere_and_back(visit, report_file):
    page = visit(report_file).page
    cell = page.locator("tr[data-row] td").first
    before = cell.inner_text()
    row = int(page.locator("tr[data-row]").first.get_attribute("data-row"))
    kilowatts = example_comparison().curve["baseline_kw"][row]
    in_other_units(page)
    # 1 hp (mechanical) = 745.69987 W. Source: NIST SP 811, appendix B.8.
    assert cell.inner_text() == f"{kilowatts / 0.74569987:.1f}"
    assert "hp" in page.locator(".facts").inner_text()
    assert "kW" not in page.locator(".facts").inner_text()
    page.wait_for_function(
        "document.querySelector('#figure-power svg').textContent.includes('[hp]')"
    )
    assert "[lb·ft]" in page.locator("#figure-torque svg").text_content()
    assert page.locator("#data ~ .scroll thead").first.inner_text().count("[hp]") == 2
    in_stored_units(page)
    assert cell.inner_text() == before
    page.wait_for_function(
        "document.querySelector('#figure-power svg').textContent.includes('[kW]')"
    )


def test_a_page_made_in_other_units_opens_in_them(visit, tmp_path):
    file = write_report(example_comparison(), tmp_path / "us.html", units="us")
    page = visit(file).page
    assert page.locator("#unit-kw").input_value() == "hp"
    assert "hp" in page.locator(".facts").inner_text()
    assert "kW" not in page.locator(".facts").inner_text()
    assert "[lb·ft]" in page.locator("#figure-torque svg").text_content()


def test_names_stay_beside_their_curves_in_other_units(visit, report_file):
    page = visit(report_file).page
    places = """() => [...document.querySelectorAll('#figure-power svg text')]
        .filter(text => text.textContent.includes('downpipe'))
        .map(text => text.getBoundingClientRect().top + scrollY)"""
    before = page.evaluate(places)
    assert len(before) == 2
    in_other_units(page)
    page.wait_for_function(
        "document.querySelector('#figure-power svg').textContent.includes('[hp]')"
    )
    # The axis may end at another round number, and moves names and curves alike; a name that kept
    # its number of kW would fall by a quarter of the height, about 80 pixels.
    assert page.evaluate(places) == pytest.approx(before, abs=40)


def test_a_page_without_pressures_offers_no_unit_for_them(visit, report_file):
    page = visit(report_file).page
    assert page.locator("select[data-kind]").count() == 2


def test_units_do_not_touch_the_difference(visit, report_file):
    page = visit(report_file).page
    before = page.locator("#regions ~ .scroll").inner_text()
    in_other_units(page)
    assert page.locator("#regions ~ .scroll").inner_text() == before


def test_a_pull_is_hidden_in_the_pictures_only(visit, report_file):
    page = visit(report_file).page
    label = "document.querySelector('#figure-pulls svg').textContent.includes('P02')"
    assert page.evaluate(label)
    figures = page.locator(".facts").inner_text()
    page.uncheck("th[data-pull=P02] input")
    page.wait_for_function(f"!{label}")
    assert page.locator(".facts").inner_text() == figures
    page.check("th[data-pull=P02] input")
    page.wait_for_function(label)


def test_hovering_shows_values(visit, report_file):
    page = visit(report_file).page
    box = page.locator("#figure-effect svg").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] * 0.4)
    page.wait_for_selector(".tip:not([hidden])")
    shown = page.locator(".tip").inner_text()
    assert "Engine speed [rpm]" in shown
    assert "Band, low [%]" in shown


@pytest.mark.parametrize(("scheme", "palette"), [("light", PALETTE), ("dark", DARK_PALETTE)])
def test_charts_and_page_follow_the_colour_scheme(visit, report_file, scheme, palette):
    page = visit(report_file, color_scheme=scheme).page
    strokes = page.eval_on_selector_all(
        "#figure-power svg path", "paths => paths.map(path => getComputedStyle(path).stroke)"
    )
    assert rgb(palette["candidate"]) in strokes
    assert rgb(palette["baseline"]) in strokes
    card = page.eval_on_selector("#answer", "e => getComputedStyle(e).backgroundColor")
    assert card == rgb(palette["paper"])


def test_print_is_light_without_tools_and_fits_the_paper(visit, report_file):
    page = visit(report_file, color_scheme="dark", viewport={"width": 680, "height": 900}).page
    page.emulate_media(media="print", color_scheme="dark")
    assert not page.locator(".tools").is_visible()
    assert not page.locator(".contents").is_visible()
    assert page.locator(".sign").is_visible()
    stroke = page.eval_on_selector_all(
        "#figure-power svg path", "paths => paths.map(path => getComputedStyle(path).stroke)"
    )
    assert rgb(PALETTE["candidate"]) in stroke
    assert page.evaluate(OVERFLOW) == 0


def test_a_page_opened_wide_prints_within_the_paper(visit, report_file):
    page = visit(report_file, viewport={"width": 1600, "height": 900}).page
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 900})  # A4 less margins, CSS pixels
    for box in page.locator(".chart svg").all():
        assert box.bounding_box()["width"] <= 688
    assert page.pdf(format="A4")[:5] == b"%PDF-"


def test_the_skip_link_leads_to_the_answer(visit, report_file):
    page = visit(report_file).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "answer"


def test_hostile_names_run_nothing(visit, tmp_path):
    result = example_comparison()
    table, curves = result.pull_table, result.pull_curves
    hostile = example_comparison(
        engine=HOSTILE,
        baseline=HOSTILE + "b",
        candidate=HOSTILE + "c",
        warnings=(HOSTILE,),
        pull_table=table.with_columns(
            pull=table["pull"] + HOSTILE,
            setup=table["setup"] + HOSTILE,
            session=table["session"] + HOSTILE,
            file=table["file"] + HOSTILE,
        ),
        pull_curves=curves.with_columns(pull=curves["pull"] + HOSTILE),
    )
    seen = visit(write_report(hostile, tmp_path / "hostile.html"))
    assert seen.complaints == []
    assert len(seen.requests) == 1
    assert seen.page.evaluate("window.hacked === undefined")
    assert seen.page.locator("img").count() == 0
    assert "<script>" in seen.page.locator("#figure-power svg").text_content()
    seen.page.locator("th[data-pull] input").first.uncheck()
    box = seen.page.locator("#figure-order svg").bounding_box()
    for share in (0.1, 0.2, 0.3, 0.4):
        for depth in range(8):
            seen.page.mouse.move(
                box["x"] + box["width"] * share, box["y"] + box["height"] * depth / 8
            )
    assert seen.page.evaluate("window.hacked === undefined")
    assert seen.complaints == []


@pytest.mark.parametrize("options", [{}, {"color_scheme": "dark"}, {"viewport": PHONE}])
@pytest.mark.parametrize("make", [example_comparison, without_noise])
def test_no_accessibility_finding(axe_findings, visit, tmp_path, options, make):
    path = write_report(
        make(verdict="loss") if make is example_comparison else make(), tmp_path / "a.html"
    )
    page = visit(path, bypass_csp=True, **options).page
    assert axe_findings(page) == []
