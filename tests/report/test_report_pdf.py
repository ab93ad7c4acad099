"""The PDF holds what the page holds, as text, tagged, and takes nothing from outside.

Read back with pypdf, a PDF reader of its own. What PDF/UA asks (a title that is shown, a language,
tags, pictures with alternatives): ISO 14289-1:2014, clauses 7.1 to 7.3, from memory.
"""

from __future__ import annotations

import io
import json
import re

import pytest
from comparison_example import example_comparison, without_noise
from PIL import Image as Picture
from pypdf import PdfReader

from dynostats.errors import InputError
from dynostats.report import Image, Provenance, Shop, form_of, write_report
from dynostats.report.pictures import chart_specs

HOSTILE = '#panic("x") *bold* $ #image("/etc/passwd") </script> \\ [ ] @ref `raw` = Heading'


def picture(kind):
    file = io.BytesIO()
    Picture.new("RGB", (40, 30), "navy").save(file, kind)
    return Image(data=file.getvalue(), kind=kind, caption="The bay", alt="A test bay, empty")


SHOP = Shop(
    name="Example Workshop",
    address=("1 Test Lane",),
    logo=picture("PNG"),
    remarks=("New air filter.",),
    photographs=(picture("JPEG"),),
)


def words(text):
    return " ".join(text.split())


def page_words(reader, at):
    return words(reader.pages[at].extract_text())


@pytest.fixture(scope="module")
def read(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "finding.pdf"
    provenance = Provenance(version="0.1.0", command="dynostats compare …")
    return PdfReader(write_report(result, path, shop=SHOP, provenance=provenance))


def test_the_first_page_answers(read):
    first = page_words(read, 0)
    for part in ("Does “", "made 2.0% more power", "95% interval", "pulls against", "Gain"):
        assert part in first
    assert f"1 of {len(read.pages)}" in first
    assert "Example Workshop" in first
    assert "Difference in power at each engine speed" in first
    assert "Where in the rev range" not in first


def test_every_section_of_the_page_is_there(read, page):
    headings = re.findall(r"<h2[^>]*>([^<$]+)</h2>", page)
    text = words(" ".join(one.extract_text() for one in read.pages))
    # The first ends otherwise on paper; it is a document there.
    missing = [
        one for one in headings if words(one).replace("this page", "this document") not in text
    ]
    assert missing == []


def test_every_speed_stands_with_its_numbers(read, result):
    text = " ".join(one.extract_text() for one in read.pages)
    rows = re.findall(
        r"^([2-6],\d{3}) ([\d.]+) ([\d.]+) [\d.]+ [\d.]+ [+\N{MINUS SIGN}]?([\d.]+)",
        text,
        re.MULTILINE,
    )
    names = ("baseline_kw", "candidate_kw")
    expected = [
        (
            f"{row['rpm']:,.0f}",
            *(f"{row[name]:.1f}" for name in names),
            f"{abs(row['effect_pct']):.2f}",
        )
        for row in result.curve.iter_rows(named=True)
    ]
    assert rows == expected


def test_it_is_tagged_with_title_language_and_alternatives(read, result):
    root = read.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"].startswith("en")
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert read.metadata.title == f"Gain: {result.candidate} against {result.baseline}"
    assert "pdfuaid:part" in root["/Metadata"].get_data().decode()
    alternatives = list(alternative_texts(root["/StructTreeRoot"].get_object()))
    assert len(alternatives) == len(chart_specs(result)) + 2  # the logo and the photograph
    assert "A test bay, empty" in alternatives
    assert any("Curve of the difference in power" in one for one in alternatives)


def alternative_texts(node):
    if "/Alt" in node:
        yield str(node["/Alt"])
    children = node.get("/K", [])
    for child in children if isinstance(children, list) else [children]:
        found = child.get_object()
        if hasattr(found, "get"):
            yield from alternative_texts(found)


def test_the_finding_is_attached_as_data(read, result):
    (data,) = read.attachments["finding.json"]
    assert json.loads(data) == json.loads(json.dumps(result.to_dict()))


def test_hostile_text_is_printed_as_it_is(tmp_path):
    table = example_comparison().pull_table
    hostile = example_comparison(
        engine=HOSTILE,
        baseline=HOSTILE + "b",
        candidate=HOSTILE + "c",
        why=HOSTILE,
        warnings=(HOSTILE,),
        method={"note": HOSTILE, "references": [HOSTILE], "formulas": {"f": HOSTILE}},
        pull_table=table.with_columns(file=table["file"] + HOSTILE, session=table["session"] + "#"),
    )
    shop = Shop(name=HOSTILE, address=(HOSTILE,), remarks=(HOSTILE,))
    reader = PdfReader(write_report(hostile, tmp_path / "x.pdf", shop=shop))
    first = page_words(reader, 0)
    assert f"Does “{HOSTILE}c” make more power than “{HOSTILE}b”" in first
    assert f"Note: {HOSTILE}" in first
    text = words(" ".join(one.extract_text() for one in reader.pages))
    assert f"Remarks of {HOSTILE}" in text
    assert reader.metadata.author == HOSTILE


def test_it_links_to_nothing_and_runs_nothing(read):
    root = read.trailer["/Root"]
    assert "/OpenAction" not in root
    assert "/AA" not in root
    assert not [one for one in read.pages if "/Annots" in one]


def test_a_comparison_without_noise_is_printed_too(tmp_path):
    reader = PdfReader(write_report(without_noise(), tmp_path / "x.pdf"))
    assert "no interval: the noise is unknown" in page_words(reader, 0)


def test_the_form_follows_the_name(tmp_path, result):
    assert write_report(result, tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert write_report(result, tmp_path / "a.MD").read_text("utf-8").startswith("# Does")
    assert write_report(result, tmp_path / "a").read_text("utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(InputError, match=r"cannot be written as \.docx") as caught:
        form_of(tmp_path / "a.docx")
    assert ".pdf" in caught.value.mend
