"""Charts as files, and the Markdown that shows them."""

from __future__ import annotations

import io
import re
from urllib.parse import unquote
from xml.etree import ElementTree as ET

import pytest
from PIL import Image as Picture

from dynostats.charts.theme import PALETTE
from dynostats.errors import InputError
from dynostats.report import Image, Shop, write_chart_files, write_report
from dynostats.report.pictures import chart_specs

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def files(result, tmp_path_factory):
    return write_chart_files(result, tmp_path_factory.mktemp("charts") / "new")


def test_every_chart_is_there_in_both_forms(files, result):
    stems = {path.stem for path in files}
    assert len(stems) == len(chart_specs(result))
    assert {"difference", "every_pull", "run_order"} <= stems
    assert sorted(path.suffix for path in files) == [".png"] * len(stems) + [".svg"] * len(stems)


def test_an_svg_says_its_finding_and_loads_nothing(files):
    for path in (one for one in files if one.suffix == ".svg"):
        root = ET.parse(path).getroot()  # noqa: S314 - our own file
        assert root.tag == f"{SVG}svg"
        assert root[0].tag == f"{SVG}title"
        assert len(root[0].text) > 30
        assert "var(--" not in path.read_text("utf-8")
        assert not re.search(r"(href|src)=", path.read_text("utf-8"))
    by_name = {path.name: path for path in files}
    assert "more power" in by_name["difference.svg"].read_text("utf-8").lower()


def test_a_png_says_its_finding_and_is_sharp_on_white(files):
    for path in (one for one in files if one.suffix == ".png"):
        with Picture.open(path) as picture:
            assert len(picture.text["Description"]) > 30
            assert picture.width >= 1200
            corner = "#{:02x}{:02x}{:02x}".format(*picture.convert("RGB").getpixel((1, 1)))
            assert corner == PALETTE["paper"]


def test_a_folder_that_cannot_be_made_is_said(result, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="charts cannot be written") as caught:
        write_chart_files(result, tmp_path / "file" / "charts")
    assert "--charts" in caught.value.mend


def test_markdown_shows_files_that_lie_beside_it(result, tmp_path):
    file = io.BytesIO()
    Picture.new("RGB", (4, 3)).save(file, "PNG")
    photograph = Image(data=file.getvalue(), caption="A *bay*", alt="Bay] (x)")
    path = tmp_path / "my finding (1).md"
    write_report(result, path, shop=Shop(name="A_b_c", photographs=(photograph,)))
    text = path.read_text("utf-8")
    targets = re.findall(r"^!\[(?:\\.|[^\]\\])+\]\(([^)\s]+)\)$", text, re.MULTILINE)
    assert len(targets) == len(chart_specs(result)) + 1
    for target in targets:
        assert (tmp_path / unquote(target)).is_file()
    assert r"*A \*bay\**" in text
    assert r"**A\_b\_c**" in text
    for heading in ("What this cannot tell you", "Before you run the engine"):
        assert f"## {heading}" in text
