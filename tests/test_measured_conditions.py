"""From the sheet and the log to a corrected comparison: the whole way, through files."""

from __future__ import annotations

import shutil

import polars as pl
import pytest

import dynostats as ds
from dynostats.curves.correction import STANDARDS, read_air
from dynostats.units import convert

ASK = {"baseline": "standard", "candidate": "short-hose"}
# The air of the study's session, as its sheet has it: 29.28 inHg, 74 degF, 44 %.
STUDY_AIR = read_air(
    convert(29.28, "inHg", "kPa"), convert(74.0, "degF", "degC"), 44.0, where="may-16"
)


@pytest.fixture
def files(first_files, tmp_path):
    """A copy of the small logs and their sheet."""
    return shutil.copytree(first_files, tmp_path / "pulls")


def stored(files, *columns):
    """Ingest the files with changed or added columns of the sheet; return the warehouse."""
    sheet = pl.read_csv(files / "sheet.csv").with_columns(*columns)
    sheet.write_csv(files / "sheet.csv")
    warehouse = ds.open_warehouse(files.parent / "shop.duckdb")
    report = warehouse.ingest(files)
    return warehouse, report


def test_a_correction_by_name_comes_with_every_other(first_warehouse):
    with ds.open_warehouse(first_warehouse) as warehouse:
        plain = warehouse.compare(**ASK)
        found = warehouse.compare(**ASK, correction="SAE J1349")
    factor = STANDARDS["sae_j1349"].factor(STUDY_AIR)
    assert (plain.correction, found.correction) == ("none", "sae_j1349")
    assert found.overall.effect_pct == pytest.approx(plain.overall.effect_pct)
    assert found.overall.effect_kw == pytest.approx(plain.overall.effect_kw * factor)
    assert found.method["ambient_correction"]["title"].startswith("SAE J1349")
    outcomes = {one.name: one for one in found.corrections}
    assert outcomes["sae_j1349"].baseline_factor == pytest.approx((factor, factor))
    assert {one.verdict for one in found.corrections} == {"gain"}


def test_the_sheet_declares_a_correction_and_a_factor(files):
    warehouse, _ = stored(
        files,
        pl.lit("SAE J607").alias("correction"),
        pl.lit("1.05").alias("correction_factor"),
    )
    declared, undone = warehouse.compare(**ASK), warehouse.compare(**ASK, correction="none")
    assert declared.correction == "sae_j607"
    assert undone.overall.effect_kw == pytest.approx(declared.overall.effect_kw / 1.05)
    other = warehouse.compare(**ASK, correction="din_70020")
    factor = STANDARDS["din_70020"].factor(STUDY_AIR)
    assert other.overall.effect_kw == pytest.approx(undone.overall.effect_kw * factor)


def test_an_amended_correction_is_used(files):
    warehouse, _ = stored(files, pl.lit("SAE").alias("correction"))
    with pytest.raises(ds.AnalysisError, match="no standard known here") as refused:
        warehouse.compare(**ASK)
    assert "amend" in refused.value.mend
    for pull in warehouse.pulls().frame["pull"]:
        warehouse.amend(pull, "correction", "none", why="asked the operator", who="ada")
    assert warehouse.compare(**ASK).correction == "none"


def test_torque_measured_at_two_places_is_refused(files):
    place = pl.when(pl.col("setup") == "standard").then(pl.lit("hub")).otherwise(pl.lit("roller"))
    warehouse, _ = stored(files, place.alias("torque_at"))
    with pytest.raises(ds.AnalysisError, match="different places"):
        warehouse.compare(**ASK)


def test_a_stated_inertia_adds_the_torque_of_the_sweep(files):
    plain = stored(files)[0].compare(**ASK)
    (files.parent / "shop.duckdb").unlink()
    warehouse, _ = stored(files, pl.lit("0.3").alias("inertia [kg.m2]"))
    found = warehouse.compare(**ASK)
    # 0.3 kg m2 at 500 rpm/s: 15.71 N.m on every pull, written to 0.01 s in the log
    added = found.curve["baseline_nm"] - plain.curve["baseline_nm"]
    assert added.to_numpy()[2:-2] == pytest.approx(15.708, rel=0.01)
    assert found.overall.effect_pct < plain.overall.effect_pct


@pytest.mark.parametrize(
    ("column", "words"),
    [
        (pl.lit(140).alias("relative_humidity [%]"), "relative_humidity"),
        (pl.lit(29.9).alias("ambient_pressure [kPa]"), "ambient_pressure"),
    ],
)
def test_a_sheet_with_impossible_air_stores_nothing(files, column, words):
    sheet = pl.read_csv(files / "sheet.csv")
    name = next(title for title in sheet.columns if title.startswith(words))
    sheet.drop(name).with_columns(column).write_csv(files / "sheet.csv")
    warehouse = ds.open_warehouse(files.parent / "shop.duckdb")
    with pytest.raises(ds.InputError, match=words) as refused:
        warehouse.ingest(files)
    assert "sheet.csv" in refused.value.where
    assert refused.value.mend
    assert not (files.parent / "shop.duckdb").exists() or warehouse.pulls().frame.is_empty()


@pytest.mark.parametrize(
    ("field", "value"), [("relative_humidity", "140"), ("ambient_pressure", "29.9")]
)
def test_an_impossible_amendment_changes_nothing(own_warehouse, field, value):
    with ds.open_warehouse(own_warehouse) as warehouse:
        before = warehouse.pulls().frame
        with pytest.raises(ds.WarehouseError, match="cannot be a value"):
            warehouse.amend("P8", field, value, why="typo", who="ada")
        assert warehouse.pulls().frame.equals(before)


def test_a_standard_without_its_readings_is_refused_and_changes_nothing(own_warehouse):
    with ds.open_warehouse(own_warehouse) as warehouse:
        warehouse.amend("P8", "relative_humidity", "", why="sensor broken", who="ada")
        before = warehouse.pulls().frame
        with pytest.raises(ds.AnalysisError, match="no reading of relative_humidity") as refused:
            warehouse.compare(**ASK, correction="sae_j1349")
        assert refused.value.where == "P8"
        assert warehouse.compare(**ASK, correction="din_70020").correction == "din_70020"
        assert warehouse.pulls().frame.equals(before)


def test_the_air_comes_from_the_channels_of_a_log(files):
    sheet = pl.read_csv(files / "sheet.csv")
    air = [name for name in sheet.columns if name.startswith(("ambient", "relative"))]
    sheet.drop(air).write_csv(files / "sheet.csv")
    for log in files.glob("may-*.csv"):
        frame = pl.read_csv(log)
        wiggle = pl.int_range(pl.len()) % 3 - 1
        frame.with_columns(
            (98.2 + 0.01 * wiggle).alias("Barometric pressure [kPa]"),
            (26.0 + 0.1 * wiggle).alias("Ambient temperature [degC]"),
            (50 + wiggle).alias("Relative humidity [%]"),
        ).write_csv(log)
    warehouse = ds.open_warehouse(files.parent / "shop.duckdb")
    warehouse.ingest(files)
    found = warehouse.compare(**ASK, correction="iso_1585")
    expected = STANDARDS["iso_1585"].factor(read_air(98.2, 26.0, 50.0, where="log"))
    outcome = next(one for one in found.corrections if one.name == "iso_1585")
    assert outcome.candidate_factor == pytest.approx((expected, expected))


def test_pulls_smoothed_more_than_the_others_are_named(files):
    sheet = pl.read_csv(files / "sheet.csv")
    sparse = sheet.filter(setup="short-hose")["file"].to_list()
    before, _ = stored(files)
    assert not any("logged so sparsely" in text for text in before.compare(**ASK).warnings)
    before.path.unlink()
    for name in sparse:
        lines = (files / name).read_text("utf-8").splitlines()
        (files / name).write_text("\n".join([lines[0], *lines[1::2]]), encoding="utf-8")
    warehouse, report = stored(files)
    assert not report.refused
    found = warehouse.compare(**ASK)
    (told,) = [text for text in found.warnings if "logged so sparsely" in text]
    names = dict(warehouse.pulls().frame.select("file", "pull").iter_rows())
    assert all(names[name] in told for name in sparse)
    notes = [one for one in warehouse.check().findings if one.check == "sparse_log"]
    assert {one.pull for one in notes} == set(names.values())  # 33 rows are few already
    assert {one.severity for one in notes} == {"note"}
