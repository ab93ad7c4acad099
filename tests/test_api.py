"""The warehouse as a Python object."""

from __future__ import annotations

import dataclasses
import itertools
import subprocess
import sys

import polars as pl
import pytest

import dynostats as ds
from dynostats.api import Finding
from dynostats.cli.root import COMMANDS


@pytest.fixture(scope="module")
def finding(first_warehouse):
    with ds.open_warehouse(first_warehouse) as warehouse:
        return warehouse.compare(baseline="standard", candidate="short-hose")


def test_every_command_is_a_function_of_the_same_name():
    whole = {"demo"}  # needs no warehouse, makes one
    assert {name for name in COMMANDS if not hasattr(ds.Warehouse, name)} == whole
    assert callable(ds.demo)


def test_public_names_are_there_and_listed():
    assert set(ds.__all__) <= set(dir(ds))
    assert all(getattr(ds, name) is not None for name in ds.__all__)


def test_a_name_that_is_not_there():
    with pytest.raises(AttributeError, match="open_warehous"):
        ds.open_warehous  # noqa: B018


def test_importing_the_package_loads_nothing_heavy():
    code = (
        "import sys, dynostats\n"
        "heavy = {'polars', 'duckdb', 'numpy', 'scipy', 'altair', 'click', 'rich'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_listing_pulls_loads_neither_scipy_nor_altair(first_warehouse):
    code = (
        "import sys, dynostats as ds\n"
        f"assert ds.open_warehouse({str(first_warehouse)!r}).pulls().frame.height == 10\n"
        "heavy = {'scipy', 'altair', 'jinja2'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_finding_is_a_frozen_comparison(finding):
    assert isinstance(finding, Finding)
    assert isinstance(finding, ds.Comparison)
    with pytest.raises(dataclasses.FrozenInstanceError):
        finding.verdict = "loss"


def test_a_finding_is_a_dict_a_frame_and_a_picture(finding):
    assert finding.to_dict()["verdict"] == finding.verdict == "gain"
    assert isinstance(finding.curve, pl.DataFrame)
    assert finding.chart().to_dict()["layer"]
    shown = finding._repr_html_()
    assert "<svg" in shown
    assert "short-hose" in shown


def test_the_noise_is_a_dict_a_frame_and_a_picture(first_warehouse):
    noise = ds.open_warehouse(first_warehouse).repeatability()
    assert noise.to_dict()["pull_df"] == noise.pull_df
    assert isinstance(noise.curve, pl.DataFrame)
    assert "from pull to pull" in noise._repr_html_()
    drawn = noise.chart().to_dict()
    names = [row["words"] for rows in drawn["datasets"].values() for row in rows if "words" in row]
    assert sorted(names) == [
        "SD from pull to pull",
        "SD from session to session",
        "limit of two pulls in one session",
        "limit of two pulls in two sessions",
    ]
    axes = [layer["encoding"]["y"] for layer in drawn["layer"] if "y" in layer["encoding"]]
    assert {axis["title"] for axis in axes} == {"Percent of torque or power [%]"}


def test_the_names_in_the_noise_chart_do_not_lie_over_each_other(first_warehouse):
    layers = ds.open_warehouse(first_warehouse).repeatability().chart().to_dict()["layer"]
    heights = sorted(layer["mark"]["y"] for layer in layers if layer["mark"]["type"] == "text")
    assert len(heights) == 4
    assert all(below - above >= 15 for above, below in itertools.pairwise(heights))


def test_a_hostile_setup_name_is_text_in_a_notebook(finding):
    hostile = dataclasses.replace(finding, candidate="<script>alert(1)</script>")
    assert "<script>" not in hostile._repr_html_()


def test_pulls_are_a_frame_and_a_dict(first_warehouse):
    pulls = ds.open_warehouse(first_warehouse).pulls(setup="short-hose")
    assert pulls.frame["pull"].to_list() == ["P8", "P9"]
    assert [row["pull"] for row in pulls.to_dict()["pulls"]] == ["P8", "P9"]
    assert "short-hose" in pulls._repr_html_()


def test_query_binds_its_values(first_warehouse):
    answer = ds.open_warehouse(first_warehouse).query(
        "select count(*) as n from pulls where setup = $setup", setup="x' or 'a' = 'a"
    )
    assert answer.frame["n"].to_list() == [0]
    assert answer.to_dict() == {"columns": ["n"], "rows": [{"n": 0}]}


def test_a_correction_says_what_was_and_what_is(own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        amended = warehouse.amend("P1", "setup", "short-hose", why="wrong line", who="Ada")
        assert amended.to_dict() == {
            "pull": "P1",
            "field": "setup",
            "old": "standard",
            "new": "short-hose",
            "why": "wrong line",
            "who": "Ada",
        }
        assert warehouse.pulls(setup="short-hose").frame.height == 3


def test_who_is_the_login_name_when_nobody_says(own_warehouse, monkeypatch):
    monkeypatch.setenv("LOGNAME", "grace")
    amended = ds.open_warehouse(own_warehouse).exclude("P1", why="aborted")
    assert amended.correction.who == "grace"


def test_reading_makes_no_file(tmp_path):
    warehouse = ds.open_warehouse(tmp_path / "none.duckdb")
    with pytest.raises(ds.WarehouseError, match="no warehouse"):
        warehouse.pulls()
    with pytest.raises(ds.WarehouseError, match="no warehouse"):
        warehouse.exclude("P1", why="x")
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_held_open_between_calls(own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        warehouse.pulls()
        code = (
            "import sys, dynostats as ds\n"
            f"ds.open_warehouse({str(own_warehouse)!r}).exclude('P1', why='from elsewhere')\n"
        )
        subprocess.run([sys.executable, "-c", code], check=True)
        assert warehouse.pulls().frame["state"][0] == "excluded"


def test_an_unknown_dyno_or_engine_is_named(first_warehouse):
    warehouse = ds.open_warehouse(first_warehouse)
    with pytest.raises(ds.WarehouseError, match="Did you mean 'cell-1'"):
        warehouse.repeatability(dyno="cell1")
    with pytest.raises(ds.WarehouseError, match="Did you mean 'QB-18T'"):
        warehouse.repeatability(engine="QB18T")


def test_a_mistaken_correction_is_refused(first_warehouse):
    with pytest.raises(ds.AnalysisError, match="no ambient correction 'SAE'"):
        ds.open_warehouse(first_warehouse).compare(
            baseline="standard", candidate="short-hose", correction="SAE"
        )


def test_candidates_of_one_baseline_share_their_bounds(first_warehouse):
    with ds.open_warehouse(first_warehouse) as wh:
        alone = wh.compare(baseline="standard", candidate="short-hose")
        (one,) = wh.compare_candidates(baseline="standard", candidates=["short-hose"]).findings
        assert one.to_dict() == alone.to_dict()
        with pytest.raises(ds.AnalysisError, match="must be named once"):
            wh.compare_candidates(baseline="standard", candidates=["short-hose", "short-hose"])


def test_every_result_shows_itself_in_a_notebook(own_warehouse, first_files, tmp_path):
    with ds.open_warehouse(own_warehouse) as wh:
        shown = {
            "amended": wh.exclude("P1", why="<b>wheel</b> slip", who="test"),
            "ingest": wh.ingest(first_files),
            "verify": wh.verify(),
            "similar": wh.similar("P7"),
            "pulls": wh.pulls(),
            "check": wh.check("P7"),
            "query": wh.query("setups"),
            "events": wh.events(),
            "repeatability": wh.repeatability(),
        }
        plan = wh.plan(
            effect=1.5,
            baseline="standard",
            candidate="short-hose",
            engine="QB-18T",
            dyno="cell-1",
            session="june-01",
        )
        shown |= {"plan": plan, "declared": wh.declare(plan, who="test"), "study": wh.study()}
        report = wh.report(
            wh.compare(baseline="standard", candidate="short-hose"), tmp_path / "finding.html"
        )
        shown["reproduce"] = wh.reproduce(report)
    for name, result in shown.items():
        html = result._repr_html_()
        assert html.startswith("<"), name
        assert "<b>wheel" not in html
    assert "&lt;b&gt;wheel" in shown["amended"]._repr_html_()
    assert "The warehouse is whole" in shown["verify"]._repr_html_()
    assert "skipped 10" in shown["ingest"]._repr_html_()
