"""Acceptance from file to answer: void at ingest, `check`, and what a comparison says of it."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from check_shop import (
    collapse,
    end_early,
    make_shop,
    of,
    row_of,
    shop_with,
    starve,
    stick,
    write_pull,
)

import dynostats as ds
from dynostats.intake import ingest as store_pulls

DEMO = Path(__file__).parents[1] / "datasets" / "demo"


@pytest.fixture(scope="module")
def demo_warehouse(tmp_path_factory):
    """The simulated shop: one wrong label, one stuck sensor, one aborted pull; only to be read."""
    path = tmp_path_factory.mktemp("demo") / "shop.duckdb"
    ds.open_warehouse(path).ingest(DEMO)
    return path


# --- at ingest ----------------------------------------------------------------------------------


def test_a_void_pull_is_stored_and_left_out_with_the_reason(tmp_path):
    files = make_shop(tmp_path, {(3, 3): collapse})
    warehouse = ds.open_warehouse(tmp_path / "shop.duckdb")
    report = warehouse.ingest(files)
    assert len(report.stored) == 16
    assert [entry.file for entry in report.stored if entry.excluded] == ["s3-3.csv"]
    row = row_of(warehouse, "s3-3.csv")
    assert row["state"] == "excluded"
    assert row["why"].startswith("void: Torque falls by ")
    history = warehouse.query("amendments", pull=row["pull"]).frame
    assert history.select("field", "new_value").rows() == [("state", "excluded")]
    assert history["who"][0].startswith("dynostats ")


def test_a_person_may_take_a_void_pull_back(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 3): collapse})
    pull = row_of(warehouse, "s3-3.csv")["pull"]
    warehouse.include(pull, why="wanted so: a limiter test", who="Ada")
    warehouse.reingest(pull)
    warehouse.ingest(tmp_path / "pulls")
    assert row_of(warehouse, "s3-3.csv")["state"] == "accepted"
    assert ("torque_collapsed", "void") in of(warehouse.check(pull), pull)


def test_a_pull_that_ended_early_beside_its_session_is_left_out(tmp_path):
    files = make_shop(tmp_path, {(3, 3): end_early})
    warehouse = ds.open_warehouse(tmp_path / "shop.duckdb")
    report = warehouse.ingest(files)
    (entry,) = (entry for entry in report.stored if entry.excluded)
    assert entry.file == "s3-3.csv"
    assert entry.excluded.startswith("void: The pull ended early: it covers 2000 to")
    assert row_of(warehouse, "s3-3.csv")["why"] == entry.excluded


def test_a_person_who_took_it_back_is_not_overruled(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 3): end_early})
    pull = row_of(warehouse, "s3-3.csv")["pull"]
    warehouse.include(pull, why="the low speeds are what matters", who="Ada")
    write_pull(tmp_path / "pulls", "s3-7.csv", session="s3", setup="A", seed=37)
    warehouse.ingest(tmp_path / "pulls")
    assert row_of(warehouse, "s3-3.csv")["state"] == "accepted"


def test_the_first_pull_of_a_session_is_judged_when_the_others_come(tmp_path):
    files = make_shop(tmp_path, {(0, 1): end_early}, runs=("AAAA",))
    warehouse = ds.open_warehouse(tmp_path / "shop.duckdb")
    warehouse.ingest(files / "s0-1.csv", sheet=files / "sheet.csv")
    assert row_of(warehouse, "s0-1.csv")["state"] == "accepted"
    warehouse.ingest(files)
    assert row_of(warehouse, "s0-1.csv")["state"] == "excluded"


def test_an_ingest_makes_up_for_one_that_was_killed_before_it_judged(tmp_path):
    files = make_shop(tmp_path, {(3, 3): end_early})
    path = tmp_path / "shop.duckdb"
    store_pulls([files], warehouse=path)  # what a killed one leaves: stored, and not judged
    warehouse = ds.open_warehouse(path)
    assert set(warehouse.pulls().frame["state"]) == {"accepted"}
    (tmp_path / "other").mkdir()
    report = warehouse.ingest(tmp_path / "other")  # any ingest does, also one that finds nothing
    assert report.stored == ()
    ((pull, why),) = report.left_out.items()
    row = row_of(warehouse, "s3-3.csv")
    assert (row["pull"], row["why"]) == (pull, why)
    assert why.startswith("void: The pull ended early")
    assert warehouse.ingest(files).left_out == {}


def test_ordinary_files_are_all_accepted(tmp_path):
    warehouse = shop_with(tmp_path, {})
    assert set(warehouse.pulls().frame["state"]) == {"accepted"}
    assert warehouse.check().findings == ()


def wait(log):
    """Return a log that begins with 30 samples at idle, where one channel stands still."""
    idle = log.head(30).with_columns(
        pl.lit(900.0).alias("engine speed [rpm]"),
        pl.lit(5.0).alias("torque [N.m]"),
        pl.lit(33.0).alias("charge temperature [degC]"),
    )
    return pl.concat([idle, log.with_columns(pl.col("time [s]") + 1.5)])


def test_what_stands_still_before_the_pull_is_no_doubt(tmp_path):
    warehouse = shop_with(tmp_path, {(1, 2): wait, (3, 3): stick})
    result = warehouse.check()
    waited, stuck = (row_of(warehouse, file)["pull"] for file in ("s1-2.csv", "s3-3.csv"))
    assert [severity for check, severity in of(result, stuck) if check == "flat_line"] == [
        "doubtful"
    ]
    notes = [one for one in result.findings if one.pull == waited]
    assert {one.severity for one in notes} == {"note"}
    (note,) = (one for one in notes if "charge_temperature" in one.message)
    assert "rows 1 to 30 at 33" in note.message
    assert note.message.endswith("All of it lies outside the pull.")


# --- check --------------------------------------------------------------------------------------


def test_the_demo_shop_has_what_was_put_into_it(demo_warehouse):
    warehouse = ds.open_warehouse(demo_warehouse)
    result = warehouse.check()
    files = dict(warehouse.pulls().frame.select("pull", "file").rows())
    found = {(files[one.pull], one.check) for one in result.findings}
    # datasets/demo/truth.json: a wrong label, a stuck sensor, an aborted pull.
    assert {
        ("T03-02.csv", "label_other_setup"),
        ("T05-02.csv", "flat_line"),
        ("T08-03.csv", "torque_collapsed"),
    } <= found
    assert {file for file, _ in found} == {"T03-02.csv", "T05-02.csv", "T08-03.csv"}
    (label,) = (one for one in result.findings if one.check == "label_other_setup")
    assert "look like 'deep-core'" in label.message


def test_a_pull_that_is_not_there_is_refused_with_the_nearest(demo_warehouse):
    with pytest.raises(ds.WarehouseError, match="no pull 'p35'") as caught:
        ds.open_warehouse(demo_warehouse).check("P1", "p35")
    assert "Did you mean 'P35'?" in caught.value.mend


def test_checking_changes_nothing(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 3): stick, (1, 2): starve})
    before = warehouse.pulls().frame, warehouse.query("amendments").frame
    result = warehouse.check()
    assert {one.check for one in result.findings} >= {"flat_line", "fuel_pressure_falls"}
    assert before[0].equals(warehouse.pulls().frame)
    assert before[1].equals(warehouse.query("amendments").frame)


def test_one_pull_is_judged_as_among_all(tmp_path):
    warehouse = shop_with(tmp_path, {(1, 2): starve})
    pull = row_of(warehouse, "s1-2.csv")["pull"]
    every, one = warehouse.check(), warehouse.check(pull)
    assert one.pulls == (pull,)
    assert one.findings == tuple(found for found in every.findings if found.pull == pull)
    assert one.dangers()


def test_of_the_chosen_pulls_only_their_engines_are_looked_at(demo_warehouse):
    result = ds.open_warehouse(demo_warehouse).check("P1")
    assert result.pulls == ("P1",)
    assert result.limits["engine"].unique().to_list() == ["QB-24C"]


def test_pulls_without_curve_torque_or_dyno_are_judged_for_what_they_have(tmp_path):
    files = make_shop(tmp_path, {(0, 2): lambda log: log.drop("torque [N.m]")}, runs=("AAA",))
    rows = "".join(f"{i / 10},850,5\n" for i in range(40))
    (files / "idle.csv").write_text(
        f"time [s],engine speed [rpm],torque [N.m]\n{rows}", encoding="utf-8"
    )
    with (files / "sheet.csv").open("a", encoding="utf-8") as lines:
        lines.write("idle.csv,mill,,s0,A,9\n")
    warehouse = ds.open_warehouse(tmp_path / "shop.duckdb")
    warehouse.ingest(files)
    result = warehouse.check()
    assert len(result.pulls) == 4
    assert ("no_torque", "void") in of(result, row_of(warehouse, "s0-2.csv")["pull"])
    assert row_of(warehouse, "s0-2.csv")["state"] == "excluded"


def test_where_labels_cannot_be_judged_it_says_what_would_allow_it(tmp_path):
    warehouse = shop_with(tmp_path, {}, runs=("A", "B"))
    result = warehouse.check()
    assert result.labels.is_empty()
    assert "no setup was pulled twice" in result.cannot_tell[0]
    assert result._repr_html_()


# --- compare ------------------------------------------------------------------------------------


def doubts(finding):
    return [text for text in finding.warnings if "doubtful" in text]


def test_a_comparison_says_what_it_is_without_its_doubtful_pulls(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 3): stick})
    pull = row_of(warehouse, "s3-3.csv")["pull"]
    finding = warehouse.compare(baseline="A", candidate="B")
    (text,) = doubts(finding)
    assert text.startswith(f"One pull of this study is doubtful ({pull}, flat_line")
    assert f"dynostats check {pull}" in text
    assert "Without it the verdict is still gain (+" in text
    warehouse.exclude(pull, why="test", who="test")
    without = warehouse.compare(baseline="A", candidate="B")
    overall = without.overall
    assert f"({overall.effect_pct:+.2f}%, {overall.low_pct:+.2f} to" in text
    assert doubts(without) == []


def test_a_danger_stands_before_everything_else(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 3): starve, (3, 5): starve})
    one, two = (row_of(warehouse, f"s3-{n}.csv")["pull"] for n in (3, 5))
    finding = warehouse.compare(baseline="A", candidate="B")
    assert finding.warnings[0].startswith(f"{one}, {two}: Danger to the engine: at full load")
    assert "2 pulls of this study are doubtful" in finding.warnings[1]


def test_without_a_doubtful_pull_there_may_be_no_answer(tmp_path):
    warehouse = shop_with(tmp_path, {(1, 2): stick}, runs=("AAA", "AB", "AAA"))
    (text,) = doubts(warehouse.compare(baseline="A", candidate="B"))
    assert "Without it the question cannot be answered: every pull of setup 'B'" in text


def test_a_setup_without_an_accepted_pull_is_refused(tmp_path):
    warehouse = shop_with(tmp_path, {(1, 2): collapse}, runs=("AAA", "AB", "AAA"))
    with pytest.raises(ds.AnalysisError, match="every pull of setup 'B'") as caught:
        warehouse.compare(baseline="A", candidate="B")
    assert "include" in caught.value.mend
    assert caught.value.where == row_of(warehouse, "s1-2.csv")["pull"]
    assert "is excluded because: void: Torque falls by" in caught.value.mend


def test_an_ordinary_comparison_has_no_such_warning(tmp_path):
    warehouse = shop_with(tmp_path, {})
    assert doubts(warehouse.compare(baseline="A", candidate="B")) == []


# --- history ------------------------------------------------------------------------------------


def as_a_study(warehouse, pull):
    warehouse.amend(pull, "relative_to", "A", why="test", who="test")
    (study,) = warehouse.history().studies.rows(named=True)
    return study


def test_history_says_of_a_study_what_compare_says_of_its_pulls(tmp_path):
    warehouse = shop_with(tmp_path, {(3, 4): stick})
    pull = row_of(warehouse, "s3-4.csv")["pull"]
    study = as_a_study(warehouse, pull)
    (said,) = study["doubts"]
    assert said.startswith(f"One pull is doubtful ({pull}, flat_line")
    warehouse.exclude(pull, why="test", who="test")
    overall = warehouse.compare(baseline="A", candidate="B").overall
    assert f"without it still gain, {overall.effect_pct:+.2f}%" in said
    (study,) = warehouse.history().studies.rows(named=True)
    assert study["doubts"] == []


def test_history_says_where_nothing_is_left_without_the_doubtful_pull(tmp_path):
    warehouse = shop_with(tmp_path, {(1, 2): stick}, runs=("AAA", "AB", "AAA"))
    study = as_a_study(warehouse, row_of(warehouse, "s1-2.csv")["pull"])
    assert "without it there is no answer: every pull of setup 'B'" in study["doubts"][0]


# --- pressures without a reference --------------------------------------------------------------


def log_gauge(log):
    boost = 70.0 + log["engine speed [rpm]"] / 400.0
    return log.with_columns(boost.alias("boost [kPa gauge]"))


def gauge_shop(folder):
    """Return a shop that logs boost as gauge pressure and never wrote the barometer down."""
    places = [(s, o) for s, run in enumerate(("AAA", "ABBA")) for o in range(1, len(run) + 1)]
    return shop_with(folder, dict.fromkeys(places, log_gauge), runs=("AAA", "ABBA"))


def test_a_gauge_without_a_barometer_is_no_doubt_about_torque(tmp_path):
    warehouse = gauge_shop(tmp_path)
    assert {one.check for one in warehouse.check().findings} == {"pressure_reference"}
    finding = warehouse.compare(baseline="A", candidate="B")
    assert finding.verdict == "gain"  # 3% were put in
    assert doubts(finding) == []


def test_why_needs_the_barometer_and_says_so(tmp_path):
    warehouse = gauge_shop(tmp_path)
    (boost,) = (
        one
        for one in warehouse.attribute(baseline="A", candidate="B").to_dict()["cannot_split"]
        if one["name"] == "boost"
    )
    assert "was logged as gauge pressure where the barometer is not known" in boost["why"]
    assert "not logged" not in boost["why"]
    assert "ambient_pressure" in boost["mend"]
    # The mend that is named mends it.
    for pull in warehouse.pulls().frame["pull"]:
        warehouse.amend(pull, "ambient_pressure", "98.6", why="from the log book", who="Ada")
    warehouse.reingest()
    again = warehouse.attribute(baseline="A", candidate="B").to_dict()["cannot_split"]
    (boost,) = (one for one in again if one["name"] == "boost")
    assert "the same in every pull" in boost["why"]  # so these logs were made
    assert "pressure_reference" not in {one.check for one in warehouse.check().findings}
