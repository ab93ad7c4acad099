from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
from itertools import pairwise

import pytest
from comparison_example import BASELINE, CANDIDATE, example_comparison, without_noise
from page_reader import PageReader

from dynostats.charts.theme import MINUS
from dynostats.errors import InputError
from dynostats.report import (
    Image,
    Provenance,
    Shop,
    render_markdown,
    render_report,
    write_report,
)

HOSTILE = "</script><script>alert(1)</script>\"'<img src=x onerror=alert(2)>{{7*7}} & &lt; ]]>"
ROLES = ("baseline", "candidate")
EVERY_VERDICT = ["gain", "loss", "no_meaningful_change", "mixed", "undecided"]


@pytest.fixture(scope="module")
def read(page):
    return PageReader(page)


@pytest.fixture(scope="module")
def hostile_page():
    table = example_comparison().pull_table
    hostile = example_comparison(
        engine=HOSTILE,
        baseline=HOSTILE + "b",
        candidate=HOSTILE + "c",
        why=HOSTILE,
        next=HOSTILE,
        warnings=(HOSTILE,),
        method={HOSTILE: HOSTILE, "references": [HOSTILE], "formulas": {HOSTILE: HOSTILE}},
        pull_table=table.with_columns(
            setup=table["setup"] + HOSTILE,
            file=table["file"] + HOSTILE,
            session=table["session"] + HOSTILE,
            why=table["why"] + HOSTILE,
        ),
    )
    shop = Shop(name=HOSTILE, address=(HOSTILE,), remarks=(HOSTILE,))
    provenance = Provenance(version=HOSTILE, command=HOSTILE, sources=((HOSTILE, HOSTILE),))
    return render_report(hostile, shop=shop, provenance=provenance)


def test_nothing_is_loaded_from_outside(read):
    loaders = {"src", "href", "srcset", "poster", "data", "action", "xlink:href", "background"}
    for _, attributes in read.elements:
        for name in loaders & set(attributes):
            assert attributes[name].startswith(("#", "data:image/")), attributes
    assert not read.tags("link", "iframe", "object", "embed", "base", "form")


def test_the_style_sheet_loads_nothing(page):
    (style,) = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert "url(" not in style
    assert "@import" not in style


def test_the_policy_allows_only_the_pages_own_scripts(page, read):
    policy = next(
        attributes["content"]
        for attributes in read.tags("meta")
        if attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    assert len(scripts) == 2
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_the_runtime_is_embedded_once(page):
    assert page.count("window.vegaEmbed") == 1


def test_the_first_screen_answers_with_number_interval_and_pulls(read):
    text = read.text
    assert f"Does “{CANDIDATE}” make more power than “{BASELINE}” on “Larkspur 1.8 turbo”?" in text
    assert (
        f"“{CANDIDATE}” made 2.0% more power than “{BASELINE}” on average between 2,400 and 6,800 "
        "rpm (95% interval 1.1 to 2.9% more; 3 pulls against 3, in one session)."
    ) in text
    assert text.index("▲ Gain") < text.index("The answer in figures")


@pytest.mark.parametrize("verdict", EVERY_VERDICT)
def test_every_verdict_is_said_in_words_beside_its_symbol(verdict):
    result = example_comparison(verdict=verdict)
    read_page = PageReader(render_report(result))
    badge = {"gain": "▲ Gain", "loss": "▼ Loss", "undecided": "? Undecided"}.get(verdict)
    if badge is None:
        badge = {"no_meaningful_change": "= No change that matters", "mixed": "± Mixed"}[verdict]
    assert badge in read_page.text


def test_an_undecided_answer_says_at_once_what_would_decide_it():
    result = without_noise()
    text = PageReader(render_report(result)).text
    first_screen = text[: text.index("The answer in figures")]
    assert "These pulls cannot tell" in first_screen
    assert f"What would decide it: {result.next}" in first_screen
    assert "unknown" in text


def test_the_curve_table_holds_every_number_of_the_result(page, result):
    curve = result.curve
    lines = re.findall(r'<tr data-row="(\d+)">(.*?)</tr>', page)[-curve.height :]
    assert [int(place) for place, _ in lines] == list(range(curve.height))
    for (_, line), row in zip(lines, curve.iter_rows(named=True), strict=True):
        expected = [
            f"{row['rpm']:,.0f}",
            *[f"{row[f'{role}_{s}']:.1f}" for s in ("kw", "nm") for role in ROLES],
            *[
                f"{row[f'{name}_pct']:+.2f}".replace("-", MINUS)
                for name in ("effect", "low", "high")
            ],
        ]
        assert re.findall(r">([^<>]+)</t[hd]>", line) == expected


def test_the_coarse_table_shows_each_250_rpm(read):
    text = read.text
    start = text.index("The data")
    coarse = text[start : text.index("Every speed of the grid (89 rows)")]
    for rpm in range(2500, 6751, 250):
        assert f"{rpm:,}" in coarse
    assert "2,550" not in coarse


def test_every_pull_and_the_reason_for_the_excluded_one_are_listed(read, result):
    text = read.text
    for row in result.pull_table.iter_rows(named=True):
        assert row["pull"] in text
        assert row["file"] in text
        if row["mean_kw"] is not None:
            assert f"{row['mean_kw']:.1f}" in text
    left_out = text[text.index("What was left out, and why") :]
    assert "torque dropped to zero for 0.8 s near 4,100 rpm" in left_out


def test_a_study_without_exclusions_says_so():
    table = example_comparison().pull_table
    result = example_comparison(pull_table=table.filter(table["state"] == "accepted"))
    assert "every pull of this study counts" in PageReader(render_report(result)).text


def test_regions_noise_warnings_method_and_provenance_are_printed(read, result):
    text = read.text
    for region in result.regions:
        assert f"{region.from_rpm:,.0f} to {region.to_rpm:,.0f} rpm" in text
    assert result.warnings[0] in text
    assert result.next in text
    assert result.why in text
    assert result.noise.source in text
    assert "16 degrees of freedom" in text
    assert "18 earlier pulls outside this study carry 75% of the weight" in text
    assert "local-linear in rpm, bandwidth 120 rpm" in text
    assert "ISO 5725-2:2019" in text
    assert "dynostats compare --baseline" in text
    assert "3f5c" * 16 in text
    assert "ab" * 32 in text


def test_peaks_are_printed_with_their_intervals(read, result):
    text = read.text
    for peak in result.peaks:
        unit = "kW" if peak.quantity == "power" else "N·m"
        assert f"{peak.value:.1f} {unit} {peak.low:.1f} to {peak.high:.1f} {unit}" in text
        assert f"{peak.rpm_low:,.0f} to {peak.rpm_high:,.0f} rpm" in text


def test_a_peak_at_the_end_of_the_range_is_said_to_be_one(result):
    edge = dataclasses.replace(result.peaks[0], at_edge=True)
    text = PageReader(render_report(example_comparison(peaks=(edge,)))).text
    assert "at the end of the range: the curve may go on rising" in text


def test_the_answer_without_each_pull_is_printed(read, result):
    text = read.text[read.text.index("If one more pull were left out") :]
    assert "hangs on single pulls: without P02 “undecided”" in text
    for one in result.influence:
        effect = f"{one.effect_pct:+.1f}%"
        assert f"{one.pull} " in text
        assert effect in text


def test_an_answer_that_no_pull_decides_says_so(result):
    steady = tuple(dataclasses.replace(one, changes=False) for one in result.influence)
    text = PageReader(render_report(example_comparison(influence=steady))).text
    assert "No single pull decides the answer" in text


def test_the_check_by_relabelling_is_printed(read, result):
    text = read.text
    assert result.design_check.text in text
    assert "20 (all there are)" in text


def test_cautions_and_limits_are_on_the_page(read):
    text = read.text
    for words in ("Local codes", "engine maker's limit", "carbon-monoxide", "First running in a"):
        assert words in text
    assert "does not mean that the setups are equal" in text


def test_the_result_is_embedded_as_data(read, result):
    assert read.data("result") == json.loads(json.dumps(result.to_dict()))


def test_the_live_charts_share_one_copy_of_each_data_set(read):
    charts = read.data("charts")
    used = {
        layer["data"]["name"]
        for spec in charts["charts"].values()
        for layer in spec["layer"]
        if "data" in layer
    }
    assert used <= set(charts["datasets"])
    assert list(charts["datasets"].values()).count("curve") == 1


def test_every_chart_has_a_static_picture_a_caption_and_a_finding(page):
    figures = re.findall(r'<figure class="figure".*?</figure>', page, re.DOTALL)
    assert len(figures) == 8
    for figure in figures:
        assert figure.count("<svg") == 1
        assert "<figcaption>" in figure
        label = re.search(r'role="img" aria-label="([^"]+)"', figure).group(1)
        assert re.search(r"\d", label), label


def test_static_pictures_have_ids_of_their_own(read):
    ids = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_static_pictures_use_the_pages_colours(page):
    for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
        assert not re.search(r'(fill|stroke)="#', svg)


def test_headings_are_in_order(read):
    levels = [int(tag[1]) for tag, _ in read.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_every_table_has_a_caption_and_scoped_heads(page, read):
    tables = re.findall(r"<table.*?</table>", page[: page.index("<script")], re.DOTALL)
    assert len(tables) == 8
    assert all("<caption>" in table for table in tables)
    assert all("scope" in attributes for attributes in read.tags("th"))


def test_hostile_text_is_shown_as_text_everywhere(hostile_page):
    read_page = PageReader(hostile_page)
    names = {tag for tag, _ in read_page.elements}
    assert "img" not in names
    assert not any(name.startswith("on") for _, attrs in read_page.elements for name in attrs)
    assert len(read_page.tags("script")) == 6
    text = read_page.text
    assert text.count("alert(1)") > 20
    assert text.count("{{7*7}}") > 20
    assert "onerror=alert(2)>49" not in text


def test_hostile_text_survives_in_the_embedded_data(hostile_page):
    read_page = PageReader(hostile_page)
    assert read_page.data("result")["warnings"] == [HOSTILE]
    for name in ("result", "origin", "charts", "units"):
        assert "<" not in read_page.scripts[name]


def test_hostile_text_survives_in_the_pictures(hostile_page):
    labels = re.findall(r"<text[^>]*>([^<]*alert[^<]*)</text>", hostile_page)
    assert labels
    assert all("&lt;" in label for label in labels)


def test_hostile_text_is_no_markup_in_markdown():
    text = render_markdown(example_comparison(why=HOSTILE, warnings=("a | b\n# c",)))
    assert "<script>" not in text
    assert r"\<script\>" in text
    assert r"> Note: a \| b \# c" in text


def test_markdown_holds_the_same_numbers(result):
    text = render_markdown(result, provenance=Provenance(version="0.1.0", command="x"))
    assert "made 2.0% more power" in text
    rows = [line for line in text.splitlines() if re.match(r"\| [2-6],\d{3} \|", line)]
    assert len(rows) == result.curve.height
    first = result.curve.row(0, named=True)
    assert f"{first['baseline_kw']:.1f}" in rows[0]
    assert "torque dropped to zero" in text


def test_markdown_tables_have_as_many_cells_as_their_heads(result):
    lines = render_markdown(result).splitlines()
    width = 0
    for line in lines:
        if not line.startswith("|"):
            width = 0
            continue
        found = len(re.findall(r"(?<!\\)\|", line))
        width = width or found
        assert found == width, line


def test_sixteen_pulls_on_a_fine_grid_stay_within_the_size():
    page = render_report(example_comparison(step=11.0, a_side=8))
    assert len(page.encode()) <= 1_500_000


def test_the_same_result_makes_the_same_page(result):
    assert render_report(result) == render_report(result)


def test_the_shops_words_logo_and_photographs_are_shown_as_its_own(result):
    shop = Shop(
        name="Example Workshop",
        address=("1 Test Lane",),
        logo=Image(data=b"a"),
        remarks=("New air filter.",),
        photographs=(Image(data=b"b", caption="The bay", alt="An empty bay"),),
    )
    read_page = PageReader(render_report(result, shop=shop))
    assert [image["alt"] for image in read_page.tags("img")] == ["", "An empty bay"]
    assert "Remarks of Example Workshop New air filter. The bay In the shop's own words" in (
        read_page.text
    )


def test_without_shop_and_provenance_their_places_are_left_out(result):
    text = PageReader(render_report(result)).text
    assert "Remarks of" not in text
    assert "Where this page comes from" not in text


def test_the_report_is_written_into_a_folder_made_for_it(tmp_path, result):
    path = write_report(result, tmp_path / "out" / "finding.html")
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_path_that_cannot_be_written_is_said(tmp_path, result):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="cannot be written") as caught:
        write_report(result, tmp_path / "file" / "finding.html")
    assert "folder" in caught.value.mend
