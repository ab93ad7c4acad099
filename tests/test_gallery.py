"""The gallery shows every chart function, and its pictures are those that its lines draw now."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from functools import partial
from xml.etree import ElementTree as ET

import pytest
from gallery import (
    GALLERY,
    PICTURES,
    ROOT,
    SUBJECTS,
    chart_functions,
    draw_all,
    listed,
    make_gallery,
    watch_a_study,
)

from dynostats.analysis.compare import compare_candidates
from dynostats.api import state

SVG = "{http://www.w3.org/2000/svg}"
LIMIT_BYTES = 1_200_000


def words_of(svg: bytes) -> list[str]:
    """Return the words of a picture: titles and names, not the numbers of its axes."""
    # The files are this project's own.
    texts = (one.text or "" for one in ET.fromstring(svg).iter(f"{SVG}text"))  # noqa: S314
    return [text for text in texts if not re.fullmatch(r"[+\N{MINUS SIGN}]?[\d.,]+", text)]


def test_every_chart_function_has_its_picture_and_no_other():
    assert sorted(listed()) == sorted(chart_functions())
    assert {path.name for path in PICTURES.iterdir()} == {f"{name}.svg" for name in listed()}


def test_the_page_is_current():
    assert GALLERY.read_text(encoding="utf-8") == make_gallery(), "run tests/gallery.py"


def test_the_pictures_are_small():
    assert sum(path.stat().st_size for path in PICTURES.iterdir()) < LIMIT_BYTES


@pytest.fixture(scope="module")
def drawn(demo_warehouse, tmp_path_factory):
    folder = tmp_path_factory.mktemp("gallery")
    with pytest.MonkeyPatch.context() as patch:
        # Few simulated studies a look: the words of its picture do not depend on them.
        patch.setattr(state, "compare_candidates", partial(compare_candidates, draws=300))
        watch_a_study(folder / "watched.duckdb", folder / "logs")
    return draw_all(demo_warehouse, folder / "watched.duckdb")


def test_the_lines_draw_what_is_shown(drawn):
    assert sorted(drawn) == sorted(listed())
    shown = {name: words_of((PICTURES / f"{name}.svg").read_bytes()) for name in drawn}
    assert {name: words_of(svg) for name, svg in drawn.items()} == shown


@pytest.mark.parametrize(
    "command", [one.command for one in SUBJECTS if not one.command.startswith("dynostats watch")]
)
def test_the_commands_run(command, demo_warehouse, tmp_path):
    """All but `watch`, which stands at the cell; the README's tests run that."""
    (tmp_path / "datasets").symlink_to(ROOT / "datasets")
    program, *words = shlex.split(command)
    assert program == "dynostats"
    ran = subprocess.run(
        [sys.executable, "-m", "dynostats", *words],
        cwd=tmp_path,
        env=os.environ | {"DYNOSTATS_WAREHOUSE": str(demo_warehouse)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout


def test_an_axis_of_every_picture_says_its_unit(drawn):
    without = [name for name, svg in drawn.items() if not any("[" in one for one in words_of(svg))]
    assert without == ["spark_chart"]  # as small as a word, it has no axes
