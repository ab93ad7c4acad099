"""The page of all studies, from results made by hand."""

from __future__ import annotations

from datetime import datetime

from comparison_example import example_comparison, without_noise
from page_reader import PageReader

from dynostats.analysis.study_list import Study, StudyList
from dynostats.charts.spark import spark_chart, spark_scale
from dynostats.report import Provenance, sentences
from dynostats.report.studies import render_studies, write_studies

HOSTILE = "</script><img src=x onerror=alert(1)>\"' & <b>"


def study(candidate="wide", finding=None, **given):
    settings = {
        "engine": "E-1",
        "baseline": "stock",
        "origin": "met",
        "kind": None,
        "changed": None,
        "when": datetime(2024, 5, 12, 10, 0),  # noqa: DTZ001 - the shop's own clock
        "finding": example_comparison() if finding is None else finding,
    }
    return Study(candidate=candidate, **(settings | given))


def test_every_row_has_verdict_effect_interval_pulls_and_a_picture_in_words():
    found = StudyList(studies=(study(), study("very wide", kind="exhaust", origin="declared")))
    page = render_studies(found, links={})
    read = PageReader(page)
    evidence = sentences.evidence(example_comparison())
    for part in ("wide against stock", "Gain", "+2.0%", "1.1 to 2.9% (95%)", evidence):
        assert read.text.count(part) == 2, part
    assert "exhaust declared before its pulls" in read.text
    labels = [one["aria-label"] for one in read.tags("div") if one.get("role") == "img"]
    assert len(labels) == 2
    assert all("Curve of the difference in power" in label for label in labels)


def test_what_could_not_be_judged_says_why():
    left = Study(
        engine="E-1", baseline="stock", candidate="odd", origin="met", kind=None, changed=None,
        when=None, finding=None, why="no common speeds",
    )  # fmt: skip
    page = render_studies(StudyList(studies=(study(), left)), links={})
    assert "no common speeds" in PageReader(page).text
    assert "1 of 2 studies could be judged" in PageReader(page).text


def test_hostile_names_are_text():
    found = StudyList(studies=(study(HOSTILE, baseline=HOSTILE, engine=HOSTILE, kind=HOSTILE),))
    links = {(HOSTILE, HOSTILE, HOSTILE): "all/001.html"}
    page = render_studies(found, links=links, provenance=Provenance(version="1", command=HOSTILE))
    assert page.count("<script>") == 1
    assert "<img" not in page
    assert PageReader(page).text.count("alert(1)") >= 4


def test_links_are_relative_to_the_page(tmp_path):
    key = ("E-1", "stock", "wide")
    target = tmp_path / "some reports" / "1.html"
    path = write_studies(
        StudyList(studies=(study(),)), tmp_path / "pages" / "all.html", reports={key: target}
    )
    assert 'href="../some%20reports/1.html"' in path.read_text("utf-8")


def test_all_small_pictures_share_one_scale():
    results = [example_comparison(), without_noise()]
    scale = spark_scale(results)
    assert scale == max(one.curve["effect_pct"].abs().max() for one in results)
    for one in results:
        spec = spark_chart(one, scale).to_dict()
        domains = [layer["encoding"]["y"]["scale"]["domain"] for layer in spec["layer"]]
        assert domains == [[-scale, scale]] * len(spec["layer"])
        inside = [row for rows in spec["datasets"].values() for row in rows if "rpm" in row]
        values = [row[k] for row in inside for k in ("low_pct", "high_pct") if row[k] is not None]
        assert all(abs(value) <= scale for value in values)


def test_the_band_is_drawn_where_there_is_one():
    marks = [
        [layer["mark"]["type"] for layer in spark_chart(one, 5.0).to_dict()["layer"]]
        for one in (example_comparison(), without_noise())
    ]
    assert marks == [["area", "rule", "line"], ["rule", "line"]]


def test_the_json_says_what_the_page_says():
    document = StudyList(studies=(study(kind="exhaust"),)).to_dict()
    (one,) = document["studies"]
    assert (one["verdict"], one["kind"], one["when"]) == ("gain", "exhaust", "2024-05-12T10:00:00")
    assert one["effect_pct"] == example_comparison().overall.effect_pct
    assert "together" in document["caution"]
