"""Files and a sheet into the warehouse, file by file."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys

import pytest
from polars.testing import assert_frame_equal

from dynostats.errors import InputError, WarehouseError
from dynostats.ingest import delimited, read_log
from dynostats.intake import ingest, pulls, readers, reingest, run, steps
from dynostats.warehouse import open_store, verify

HEADER = "time [s],engine_speed [rpm],torque [N.m]"


def sweep(torque=300.0, *, low=2000.0, high=6000.0, rows=41, start=0.0):
    """Return the lines of one rising pull."""
    step = (high - low) / (rows - 1)
    return [
        f"{start + 0.1 * i:.1f},{low + step * i:.1f},{torque + 10 * math.sin(i / 9):.3f}"
        for i in range(rows)
    ]


def fall(*, high=6000.0, low=2000.0, rows=20, start=0.0):
    """Return the lines of an overrun, without load."""
    step = (high - low) / rows
    return [f"{start + 0.1 * i:.1f},{high - step * (i + 1):.1f},-20.0" for i in range(rows)]


def write_log(path, lines=None, *, before=(), header=HEADER, torque=300.0):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([*before, header, *(lines or sweep(torque))]) + "\n")
    return path


def write_sheet(path, *rows, columns="file,engine,session,setup,order"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([columns, *rows]) + "\n")
    return path


@pytest.fixture
def shop(tmp_path):
    """A folder with three logs of two setups and their sheet."""
    folder = tmp_path / "pulls"
    for number, torque in enumerate((300.0, 301.0, 309.0), start=1):
        write_log(folder / f"run{number}.csv", torque=torque)
    write_sheet(
        folder / "sheet.csv",
        "run1.csv,mule,monday,base,1",
        "run2.csv,mule,monday,base,2",
        "run3.csv,mule,monday,cooler,3",
    )
    return folder


@pytest.fixture
def warehouse(tmp_path):
    return tmp_path / "shop.duckdb"


def stored(warehouse, **options):
    with open_store(warehouse) as store:
        return store.pulls(**options)


def test_a_folder_with_its_sheet_is_stored_file_by_file(shop, warehouse):
    report = ingest([shop], warehouse=warehouse)
    assert [(entry.pull, entry.file, entry.rows) for entry in report.stored] == [
        ("P1", "run1.csv", 41),
        ("P2", "run2.csv", 41),
        ("P3", "run3.csv", 41),
    ]
    assert (report.skipped, report.refused) == ((), ())
    table = stored(warehouse)
    assert table["setup"].to_list() == ["base", "base", "cooler"]
    assert table["order"].to_list() == [1, 2, 3]
    assert table["rpm_low"].to_list() == [2000.0] * 3
    assert verify(warehouse).faults == ()


def test_what_is_stored_is_what_the_importer_read(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    log = read_log((shop / "run2.csv").read_bytes(), name="run2.csv")
    with open_store(warehouse) as store:
        assert_frame_equal(store.samples("P2"), log.samples, check_exact=True)
        assert store.source(log.sha256) == (shop / "run2.csv").read_bytes()
        readings = store.readings("P2")
    assert readings["how"].to_list() == [reading.how for reading in log.channels]


def test_the_report_is_the_json_of_the_contract(shop, warehouse):
    write_log(shop / "broken.csv", ["not,a,number"])
    report = ingest([shop], warehouse=warehouse)
    again = ingest([shop], warehouse=warehouse)
    document = json.loads(json.dumps(report.to_dict(), allow_nan=False))
    assert {"pull", "file", "sha256", "rows", "channels"} <= set(document["stored"][0])
    assert document["stored"][0]["channels"][:3] == ["time", "engine_speed", "torque"]
    assert set(document["refused"][0]) == {"file", "what", "where", "mend"}
    assert set(again.to_dict()["skipped"][0]) == {"file", "reason"}


def test_ingesting_again_changes_nothing(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    before = verify(warehouse)
    again = ingest([shop], warehouse=warehouse)
    assert again.stored == again.refused == ()
    assert [entry.reason for entry in again.skipped] == [
        "the same bytes are stored already as P1",
        "the same bytes are stored already as P2",
        "the same bytes are stored already as P3",
    ]
    assert verify(warehouse) == before


def test_a_new_file_in_a_known_folder_is_all_that_is_added(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    write_log(shop / "run4.csv", torque=310.0)
    with (shop / "sheet.csv").open("a") as sheet:
        sheet.write("run4.csv,mule,monday,cooler,4\n")
    report = ingest([shop], warehouse=warehouse)
    assert [entry.pull for entry in report.stored] == ["P4"]
    assert len(report.skipped) == 3


def test_a_bad_file_never_stops_the_others(shop, warehouse):
    (shop / "run2.csv").write_bytes(b"\x00\x01\x02" * 400)
    (shop / "lost.csv").symlink_to(shop / "nowhere.csv")
    report = ingest([shop], warehouse=warehouse)
    assert [entry.file for entry in report.stored] == ["run1.csv", "run3.csv"]
    assert {entry.file for entry in report.refused} == {"lost.csv", "run2.csv"}
    for entry in report.refused:
        assert entry.what
        assert entry.where
        assert entry.mend


def test_an_error_nobody_foresaw_refuses_its_file_and_spares_the_others(
    shop, warehouse, monkeypatch
):
    def find(values):
        if values["torque"].max() == worst:
            raise ZeroDivisionError
        return find_sweeps(values)

    worst = read_log((shop / "run2.csv").read_bytes(), name="run2.csv").samples["torque"].max()
    find_sweeps = steps.find_sweeps
    monkeypatch.setattr(steps, "find_sweeps", find)
    report = ingest([shop], warehouse=warehouse)
    assert len(report.stored) == 2
    assert report.refused[0].file == "run2.csv"
    assert "ZeroDivisionError" in report.refused[0].what


def test_an_error_nobody_foresaw_in_many_files_at_once_is_told_of_the_file_that_makes_it(
    shop, warehouse, monkeypatch
):
    culprit = (shop / "run2.csv").read_bytes()

    def read(files, table):
        if culprit in files:
            raise ZeroDivisionError
        return read_plain(files, table)

    read_plain = pulls.read_plain
    monkeypatch.setattr(pulls, "read_plain", read)
    monkeypatch.setattr(delimited, "read_plain", read)
    report = ingest([shop], warehouse=warehouse)
    assert [entry.file for entry in report.stored] == ["run1.csv", "run3.csv"]
    assert [entry.file for entry in report.refused] == ["run2.csv"]
    assert "ZeroDivisionError" in report.refused[0].what


def test_what_is_no_log_is_passed_over_or_named(shop, warehouse):
    for name in (".hidden.csv", "~$run1.xlsx", "run1.csv.part", "run1.csv~"):
        (shop / name).write_text("x")
    (shop / ".trash").mkdir()
    write_log(shop / ".trash" / "old.csv", torque=250.0)
    (shop / "cell.jpg").write_bytes(b"\xff\xd8\xff")
    report = ingest([shop], warehouse=warehouse)
    assert len(report.stored) == 3
    assert report.refused == ()
    assert [entry.file for entry in report.skipped] == ["cell.jpg"]


def test_a_file_named_itself_is_always_tried(shop, warehouse):
    odd = (shop / "run1.csv").rename(shop / "run1.pull")
    write_sheet(shop / "sheet.csv", "run1.pull,mule,monday,base,1")
    report = ingest([odd], warehouse=warehouse)
    assert [entry.file for entry in report.stored] == ["run1.pull"]


def test_the_warehouse_in_the_same_folder_is_no_log(shop):
    warehouse = shop / "pulls.dat"
    ingest([shop], warehouse=warehouse)
    again = ingest([shop], warehouse=warehouse)
    assert again.refused == ()


def test_a_path_that_is_not_there_is_refused_before_a_warehouse_is_made(tmp_path, warehouse):
    with pytest.raises(InputError, match="no such file or folder"):
        ingest([tmp_path / "nowhere"], warehouse=warehouse)
    assert not warehouse.exists()


# Sheets


def test_a_sheet_can_lie_elsewhere_and_have_any_name(shop, warehouse, tmp_path):
    elsewhere = (shop / "sheet.csv").rename(tmp_path / "labels 2025.csv")
    report = ingest([shop], warehouse=warehouse, sheet=elsewhere)
    assert len(report.stored) == 3
    assert report.sheets == (str(elsewhere),)


def test_a_sheet_given_from_within_the_folder_is_no_log(shop, warehouse):
    inside = (shop / "sheet.csv").rename(shop / "labels.csv")
    report = ingest([shop], warehouse=warehouse, sheet=inside)
    assert report.refused == ()


@pytest.mark.parametrize("written", ["RUN1.CSV", "run1", "./run1.csv", r"D:\logs\run1.csv"])
def test_a_row_finds_its_file_however_it_is_written(shop, warehouse, written):
    write_sheet(shop / "sheet.csv", f"{written},mule,monday,base,1")
    report = ingest([shop / "run1.csv"], warehouse=warehouse)
    assert [entry.file for entry in report.stored] == ["run1.csv"]


def test_folders_of_one_shop_each_have_their_own_sheet(tmp_path, warehouse):
    for number, day in enumerate(("monday", "tuesday")):
        write_log(tmp_path / "shop" / day / "run1.csv", torque=300.0 + number)
        write_sheet(tmp_path / "shop" / day / "sheet.csv", f"run1.csv,mule,{day},base,1")
    report = ingest([tmp_path / "shop"], warehouse=warehouse)
    assert [entry.file for entry in report.stored] == ["monday/run1.csv", "tuesday/run1.csv"]
    assert stored(warehouse)["session"].to_list() == ["monday", "tuesday"]


def test_one_sheet_above_names_the_files_of_its_folders(tmp_path, warehouse):
    for number, day in enumerate(("monday", "tuesday")):
        write_log(tmp_path / "shop" / day / "run1.csv", torque=300.0 + number)
    write_sheet(
        tmp_path / "shop" / "sheet.csv",
        "monday/run1.csv,mule,m,base,1",
        r"tuesday\run1.csv,mule,t,base,1",
    )
    ingest([tmp_path / "shop"], warehouse=warehouse)
    assert stored(warehouse)["session"].to_list() == ["m", "t"]


def test_a_row_that_could_mean_two_files_is_refused_for_both(tmp_path, warehouse):
    for number, day in enumerate(("monday", "tuesday")):
        write_log(tmp_path / "shop" / day / "run1.csv", torque=300.0 + number)
    write_sheet(tmp_path / "shop" / "sheet.csv", "run1.csv,mule,m,base,1")
    report = ingest([tmp_path / "shop"], warehouse=warehouse)
    assert report.stored == ()
    assert [entry.file for entry in report.refused] == ["monday/run1.csv", "tuesday/run1.csv"]
    assert "2 files have this name" in report.refused[0].what
    assert "monday/run1.csv" in report.refused[0].mend


def test_a_sheet_named_among_the_logs_is_their_sheet(shop, tmp_path, warehouse):
    report = ingest(sorted(shop.glob("*.csv")), warehouse=warehouse)
    assert len(report.stored) == 3
    assert (report.skipped, report.refused) == ((), ())
    assert report.sheets == (str(shop / "sheet.csv"),)
    elsewhere = tmp_path / "office" / "Sheet.csv"
    elsewhere.parent.mkdir()
    shutil.copyfile(shop / "sheet.csv", elsewhere)
    (entry,) = ingest([elsewhere], warehouse=warehouse).refused
    assert entry.file == "Sheet.csv"
    assert "--sheet" in entry.mend


def test_two_sheets_in_one_folder_are_refused(shop, warehouse):
    (shop / "Sheet.xlsx").write_bytes(b"x")
    with pytest.raises(InputError, match=r"two sheets lie here: Sheet\.xlsx, sheet\.csv"):
        ingest([shop], warehouse=warehouse)
    assert not warehouse.exists()


def test_rows_without_a_file_are_named_when_the_folder_is_ingested(shop, warehouse):
    with (shop / "sheet.csv").open("a") as sheet:
        sheet.write("run9.csv,mule,monday,cooler,9\n")
    one = ingest([shop / "run1.csv"], warehouse=warehouse)
    assert one.skipped == ()
    whole = ingest([shop], warehouse=warehouse)
    assert [(e.file, e.reason) for e in whole.skipped if e.file == "run9.csv"] == [
        ("run9.csv", "line 5 of sheet.csv names it, but there is no such file here")
    ]


def test_a_file_without_labels_is_refused_with_what_to_do(tmp_path, warehouse):
    report = ingest([write_log(tmp_path / "pulls" / "run1.csv")], warehouse=warehouse)
    (entry,) = report.refused
    assert "does not name its engine, session and setup" in entry.what
    assert "--sheet" in entry.mend


def test_a_file_can_name_its_own_labels(tmp_path, warehouse):
    before = ["Engine: mule", "Session: monday", "Setup: base", "Order: 4", ""]
    log = write_log(tmp_path / "pulls" / "run1.csv", before=before)
    report = ingest([log], warehouse=warehouse)
    assert len(report.stored) == 1, report.refused
    row = stored(warehouse).row(0, named=True)
    assert (row["engine"], row["session"], row["setup"], row["order"]) == (
        "mule",
        "monday",
        "base",
        4,
    )


def test_ambient_pressure_of_the_sheet_makes_gauge_pressure_absolute(tmp_path, warehouse):
    lines = [f"{line},100.0" for line in sweep()]
    write_log(tmp_path / "p" / "run1.csv", lines, header=f"{HEADER},boost [kPa gauge]")
    write_sheet(
        tmp_path / "p" / "sheet.csv",
        "run1.csv,mule,monday,base,29.0",
        columns="file,engine,session,setup,ambient_pressure [inHg]",
    )
    ingest([tmp_path / "p"], warehouse=warehouse)
    inches = 29.0 * 3.386389  # NIST SP 811, table of factors: inch of mercury (0 degC)
    with open_store(warehouse) as store:
        pressure = store.samples("P1")["manifold_pressure"][0]
        assert store.pulls()["ambient_pressure_kpa"][0] == pytest.approx(inches, rel=1e-5)
    assert pressure == pytest.approx(100.0 + inches, rel=1e-5)


# The same bytes again


def test_the_same_bytes_under_another_label_are_a_conflict(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    write_sheet(shop / "sheet.csv", "run1.csv,mule,monday,cooler,1", "run2.csv,mule,monday,base,2")
    before = verify(warehouse)
    report = ingest([shop / "run1.csv", shop / "run2.csv"], warehouse=warehouse)
    (entry,) = report.refused
    assert entry.file == "run1.csv"
    assert "'cooler' in the sheet (line 2) and 'base' in P1" in entry.what
    assert "dynostats amend P1" in entry.mend
    assert [skipped.file for skipped in report.skipped] == ["run2.csv"]
    assert verify(warehouse) == before


def test_a_sheet_that_was_not_corrected_along_is_no_conflict(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    with open_store(warehouse, write=True) as store:
        store.amend("P1", "setup", "cooler", why="wrong line", who="test")
    assert ingest([shop], warehouse=warehouse).refused == ()
    assert stored(warehouse)["setup"].to_list()[0] == "cooler"


def test_changed_ambient_readings_are_a_conflict_too(shop, warehouse):
    columns = "file,engine,session,setup,order,ambient_pressure [kPa]"
    write_sheet(shop / "sheet.csv", "run1.csv,mule,monday,base,1,98.6", columns=columns)
    ingest([shop / "run1.csv"], warehouse=warehouse)
    assert ingest([shop / "run1.csv"], warehouse=warehouse).refused == ()
    write_sheet(shop / "sheet.csv", "run1.csv,mule,monday,base,1,99.9", columns=columns)
    (entry,) = ingest([shop / "run1.csv"], warehouse=warehouse).refused
    assert "ambient_pressure is '99.9' in the sheet" in entry.what


def test_the_same_bytes_twice_in_one_ingest(shop, warehouse):
    (shop / "copy.csv").write_bytes((shop / "run1.csv").read_bytes())
    (shop / "wrong.csv").write_bytes((shop / "run1.csv").read_bytes())
    with (shop / "sheet.csv").open("a") as sheet:
        sheet.write("copy.csv,mule,monday,base,1\nwrong.csv,mule,monday,cooler,1\n")
    report = ingest([shop], warehouse=warehouse)
    assert len(report.stored) == 3
    assert [entry.file for entry in report.skipped] == ["run1.csv"]  # copy.csv came first
    assert [entry.file for entry in report.refused] == ["wrong.csv"]
    assert verify(warehouse).faults == ()


# Several pulls in one file


@pytest.fixture
def three_in_one(tmp_path):
    """One log of three pulls with overruns between them."""
    lines = [
        *sweep(300.0),
        *fall(start=4.1),
        *sweep(305.0, start=6.1),
        *fall(start=10.2),
        *sweep(310.0, start=12.2),
    ]
    return write_log(tmp_path / "pulls" / "all.csv", lines)


def test_several_pulls_share_the_labels_of_one_row_and_count_on(three_in_one, warehouse):
    write_sheet(three_in_one.parent / "sheet.csv", "all.csv,mule,monday,base,4")
    report = ingest([three_in_one], warehouse=warehouse)
    assert [entry.pull for entry in report.stored] == ["P1", "P2", "P3"]
    table = stored(warehouse)
    assert table["order"].to_list() == [4, 5, 6]
    assert table["part"].to_list() == [1, 2, 3]
    with open_store(warehouse) as store:
        peaks = [store.curves([name])["torque"].max() for name in ("P1", "P2", "P3")]
        whole = read_log(three_in_one.read_bytes(), name="all.csv").samples
        parts = [store.samples(name) for name in ("P1", "P2", "P3")]
    assert peaks == pytest.approx([310.0, 315.0, 320.0], abs=0.3)
    joined = parts[0].vstack(parts[1]).vstack(parts[2])
    assert_frame_equal(joined, whole, check_exact=True)


def test_several_pulls_can_have_a_row_each(three_in_one, warehouse):
    write_sheet(
        three_in_one.parent / "sheet.csv",
        "all.csv,mule,monday,base,1",
        "all.csv,mule,monday,cooler,2",
        "all.csv,mule,monday,base,3",
    )
    ingest([three_in_one], warehouse=warehouse)
    assert stored(warehouse)["setup"].to_list() == ["base", "cooler", "base"]
    again = ingest([three_in_one], warehouse=warehouse)
    assert (again.refused, len(again.skipped)) == ((), 1)


def test_another_number_of_rows_than_pulls_is_refused(three_in_one, warehouse):
    write_sheet(
        three_in_one.parent / "sheet.csv",
        "all.csv,mule,monday,base,1",
        "all.csv,mule,monday,cooler,2",
    )
    (entry,) = ingest([three_in_one], warehouse=warehouse).refused
    assert "2 rows for this file (lines 2, 3), but it holds 3 pull(s)" in entry.what


def test_a_log_without_a_pull_is_kept_and_left_out(shop, warehouse):
    write_log(shop / "run2.csv", [f"{0.1 * i:.1f},850.0,5.0" for i in range(50)])
    report = ingest([shop], warehouse=warehouse)
    assert [bool(entry.excluded) for entry in report.stored] == [False, True, False]
    row = stored(warehouse).row(1, named=True)
    assert row["state"] == "excluded"
    assert "never rises" in row["why"]
    with open_store(warehouse) as store:
        assert store.samples("P2").height == 50
        assert set(store.curves()["pull"]) == {"P1", "P3"}


# Batches


def test_a_pull_is_reported_only_when_its_batch_is_committed(shop, warehouse, monkeypatch):
    monkeypatch.setattr(run, "BATCH_FILES", 2)
    seen = []
    ingest([shop], warehouse=warehouse, progress=seen.append)
    committed = [[entry.pull for entry in report.committed] for report in seen if report.committed]
    assert committed == [["P1", "P2"], ["P3"]]
    assert [report.done for report in seen][-1] == 3
    assert {report.total for report in seen} == {3}


def test_batches_give_the_same_warehouse_as_one(shop, warehouse, tmp_path, monkeypatch):
    ingest([shop], warehouse=warehouse)
    monkeypatch.setattr(run, "BATCH_FILES", 1)
    ingest([shop], warehouse=tmp_path / "single.duckdb")
    whole, single = verify(warehouse), verify(tmp_path / "single.duckdb")
    for table in ("samples", "curves", "channel_readings", "findings", "attributes"):
        assert single.checksums[table] == whole.checksums[table]


def test_a_full_batch_of_bytes_is_committed_too(shop, warehouse, monkeypatch):
    monkeypatch.setattr(run, "BATCH_BYTES", 1)
    seen = []
    ingest([shop], warehouse=warehouse, progress=seen.append)
    assert sum(bool(report.committed) for report in seen) == 3


def test_an_empty_folder_makes_an_empty_report(tmp_path, warehouse):
    (tmp_path / "empty").mkdir()
    report = ingest([tmp_path / "empty"], warehouse=warehouse)
    nothing = {"stored": [], "skipped": [], "refused": [], "sheets": [], "left_out": []}
    assert report.to_dict() == nothing


# Reading again


def test_reading_again_keeps_names_labels_and_history(shop, warehouse):
    ingest([shop], warehouse=warehouse)
    with open_store(warehouse, write=True) as store:
        store.amend("P1", "setup", "other", why="asked", who="test")
        store.exclude("P2", why="slip", who="test")
    before = verify(warehouse)
    report = reingest(warehouse=warehouse, who="test")
    assert [entry.pull for entry in report.stored] == ["P1", "P2", "P3"]
    after = verify(warehouse)
    assert after.faults == ()
    for table in ("pulls", "samples", "curves", "channel_readings", "findings", "sources"):
        assert after.checksums[table] == before.checksums[table]
    with open_store(warehouse) as store:
        assert store.amendments("P3")["field"].to_list() == ["importer"]


def test_reading_again_uses_what_was_amended_and_a_better_channel_table(tmp_path, warehouse):
    lines = [f"{line},100.0,7.0" for line in sweep()]
    header = f"{HEADER},boost [kPa gauge],gubbins"
    write_log(tmp_path / "p" / "run1.csv", lines, header=header)
    write_sheet(
        tmp_path / "p" / "sheet.csv",
        "run1.csv,mule,monday,base,90.0",
        columns="file,engine,session,setup,ambient_pressure [kPa]",
    )
    ingest([tmp_path / "p"], warehouse=warehouse)
    with open_store(warehouse, write=True) as store:
        assert store.samples("P1")["manifold_pressure"][0] == pytest.approx(190.0)
        store.amend("P1", "ambient_pressure", "95", why="misread", who="test")
    table = tmp_path / "ours.toml"
    table.write_text('[oil_pressure]\nnames = ["gubbins"]\nunit = "bar"\n')
    report = reingest(["P1"], warehouse=warehouse, who="test", channels=table)
    assert report.refused == ()
    with open_store(warehouse) as store:
        samples = store.samples("P1")
    assert samples["manifold_pressure"][0] == pytest.approx(195.0)
    assert samples["oil_pressure"][0] == pytest.approx(700.0)
    assert "gubbins" not in samples.columns
    assert verify(warehouse).faults == ()


def test_a_file_that_cannot_be_read_any_more_stays_as_it_was(shop, warehouse, monkeypatch):
    ingest([shop], warehouse=warehouse)
    before = verify(warehouse)

    def read_no_more(_, table, *, name):
        assert table.find("torque")
        msg = "no longer understood"
        raise InputError(msg, where=name, mend="None.")

    monkeypatch.setattr(steps, "read_table", read_no_more)
    report = reingest(["P2"], warehouse=warehouse, who="test")
    assert [entry.file for entry in report.refused] == ["run2.csv"]
    assert verify(warehouse) == before


def test_reading_again_what_is_not_there(shop, warehouse):
    with pytest.raises(WarehouseError, match="no warehouse here"):
        reingest(warehouse=warehouse, who="test")
    ingest([shop], warehouse=warehouse)
    with pytest.raises(WarehouseError, match="P9"):
        reingest(["P9"], warehouse=warehouse, who="test")


# Helpers


@pytest.fixture
def call_helpers(monkeypatch):
    """Give what lets a helper process read even a few files, on any computer."""
    answer = readers._Helpers._answer

    def wait_for_the_first(self, message):
        """Take nothing from the helper before it has done something: it is slow to start."""
        if not self.asked:
            self.asked.append(message)
            message.answer.result()
        return answer(self, message)

    def call():
        monkeypatch.setattr(readers, "FILES_WORTH_HELPERS", 1)
        monkeypatch.setattr(readers, "_processors", lambda: 2)
        monkeypatch.setattr(readers, "_FILES_A_MESSAGE", 1)
        monkeypatch.setattr(readers._Helpers, "asked", [], raising=False)
        monkeypatch.setattr(readers._Helpers, "_answer", wait_for_the_first)

    return call


def test_helpers_give_the_same_warehouse(shop, warehouse, tmp_path, call_helpers, three_in_one):
    write_log(shop / "run4.csv", [f"{0.1 * i:.1f},850.0,5.0" for i in range(50)])
    lines = [f"{line},{'' if i % 3 else '7'}" for i, line in enumerate(sweep())]
    write_log(shop / "run5.csv", lines, header=f"{HEADER},gubbins")
    three_in_one.rename(shop / "run6.csv")
    (shop / "broken.csv").write_bytes(b"\x00\x01" * 400)
    with (shop / "sheet.csv").open("a") as sheet:
        sheet.writelines(f"run{n}.csv,mule,monday,base,{n}\n" for n in (4, 5, 6))
    alone = ingest([shop], warehouse=warehouse)
    call_helpers()
    helped = ingest([shop], warehouse=tmp_path / "helped.duckdb")
    assert helped.to_dict() == alone.to_dict()
    one, other = verify(warehouse), verify(tmp_path / "helped.duckdb")
    for table in ("samples", "curves", "other_channels", "channel_readings", "findings"):
        assert other.checksums[table] == one.checksums[table]


@pytest.mark.parametrize("dies", ["while it starts", "before it answers", "after some answers"])
def test_the_place_of_a_helper_that_dies_is_taken(shop, warehouse, monkeypatch, call_helpers, dies):
    call_helpers()
    monkeypatch.setattr(run, "BATCH_FILES", 1)
    answer, receive = readers._Helpers._answer, readers._receive
    received = []

    def die(pipe):
        received.append(pipe)
        if len(received) == {"while it starts": 1, "before it answers": 2}.get(dies):
            raise EOFError
        return receive(pipe)

    def kill(self, message):
        if dies == "while it starts":
            self.asked.append(message)  # nobody else will read the first
        outcomes = answer(self, message)
        for helper in self._all if dies == "after some answers" else ():
            helper.kill()
            helper.wait()
        return outcomes

    monkeypatch.setattr(readers, "_receive", die)
    monkeypatch.setattr(readers._Helpers, "_answer", kill)
    report = ingest([shop], warehouse=warehouse)
    assert received
    assert [entry.file for entry in report.stored] == ["run1.csv", "run2.csv", "run3.csv"]
    assert report.refused == ()
    assert verify(warehouse).faults == ()


def test_an_error_while_reading_beside_helpers_reaches_the_caller(
    shop, warehouse, monkeypatch, call_helpers
):
    call_helpers()
    monkeypatch.setattr(readers, "outcomes_of", lambda *_: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        ingest([shop], warehouse=warehouse)


def test_a_script_without_a_main_guard_may_use_helpers(shop, warehouse, tmp_path):
    script = tmp_path / "ours.py"
    script.write_text(
        "import dynostats as ds\n"
        "from dynostats.intake import readers\n"
        "readers.FILES_WORTH_HELPERS = 1\n"
        "readers._processors = lambda: 2\n"
        f"with ds.open_warehouse({str(warehouse)!r}) as warehouse:\n"
        f"    print(len(warehouse.ingest({str(shop)!r}).stored))\n"
    )
    ran = subprocess.run(
        [sys.executable, "-W", "error", script], capture_output=True, text=True, check=False
    )
    assert (ran.stdout, ran.stderr) == ("3\n", "")


def test_a_named_sheet_that_another_one_stands_in_for_is_said_to_be(shop, tmp_path, warehouse):
    other = tmp_path / "office.csv"
    shutil.copyfile(shop / "sheet.csv", other)
    report = ingest(sorted(shop.glob("*.csv")), warehouse=warehouse, sheet=other)
    assert len(report.stored) == 3
    (entry,) = report.skipped
    assert entry.file == "sheet.csv"
    assert "beside" not in entry.reason
    assert "office.csv" in entry.reason
