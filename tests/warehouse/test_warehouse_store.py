"""What goes in comes out, whole or not at all."""

from __future__ import annotations

import dataclasses

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from dynostats.errors import WarehouseError
from dynostats.warehouse import open_store


def test_reading_never_makes_a_warehouse(path):
    with pytest.raises(WarehouseError, match="there is no warehouse here"):
        open_store(path)
    assert not path.exists()


def test_writing_makes_one_and_leaves_nothing_else_in_the_folder(path):
    open_store(path, write=True).close()
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_writing_makes_none_when_told_so(path):
    with pytest.raises(WarehouseError, match="there is no warehouse here"):
        open_store(path, write=True, create=False)
    assert not path.exists()


def test_a_warehouse_in_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(WarehouseError, match="folder for the warehouse does not exist"):
        open_store(tmp_path / "nowhere" / "shop.duckdb", write=True)


def test_pulls_are_named_in_order_and_names_are_not_given_again(path, new_pull):
    with open_store(path, write=True) as store:
        assert store.add([new_pull(torque=1.0), new_pull(torque=2.0)]) == ("P1", "P2")
    with open_store(path, write=True) as store:
        assert store.add([new_pull(torque=3.0)]) == ("P3",)


def test_samples_come_back_bit_for_bit_with_every_channel_in_file_order(path, new_pull):
    pull = new_pull(
        extra={
            "knock": [0.1 * i for i in range(40)],  # 0.1 * 3 is not 0.3: no bit may be lost
            "driver note": ["ok"] * 39 + [None],
            "pull_no": [float(i) for i in range(40)],  # a channel may be called like our own keys
            "sample": [None] * 40,
        }
    )
    with open_store(path, write=True) as store:
        store.add([new_pull(torque=1.0), pull])
        samples = store.samples("P2")
    expected = pull.samples.with_columns(pl.col("sample").cast(pl.String))
    assert_frame_equal(samples, expected, check_exact=True)


def test_a_channel_that_comes_later_is_missing_in_the_pulls_before_it(path, new_pull):
    with open_store(path, write=True) as store:
        store.add([new_pull(torque=1.0)])
        store.add([new_pull(torque=2.0, extra={"oil_pressure": [400.0] * 40})])
        assert store.samples("P1").columns == ["time", "engine_speed", "torque", "lambda"]
        assert store.samples("P2")["oil_pressure"].to_list() == [400.0] * 40
        pressures = store.query("select pull_no, max(oil_pressure) as p from samples group by 1")
    assert sorted(pressures.rows()) == [(1, None), (2, 400.0)]


def test_curves_of_accepted_pulls_are_the_default(filled):
    with open_store(filled) as store:
        curves = store.curves(channels=("torque", "lambda"))
        assert curves.columns == ["pull", "rpm", "torque", "lambda"]
        assert curves["pull"].unique(maintain_order=True).to_list() == ["P1", "P2", "P3", "P4"]
        assert curves["rpm"].to_list()[:40] == [2000.0 + 50.0 * i for i in range(40)]


def test_curves_can_be_chosen_by_name_whatever_their_state_and_by_label(filled):
    with open_store(filled, write=True) as store:
        store.exclude("P2", why="wheel slip", who="test")
        assert set(store.curves(["P2", "P4"])["pull"]) == {"P2", "P4"}
        assert set(store.curves(setup="base")["pull"]) == {"P1", "P3"}
        assert set(store.curves(session="tuesday")["pull"]) == {"P3"}
        assert set(store.curves(dyno="cell 1")["pull"]) == {"P1", "P4"}
        assert store.curves(engine="another").is_empty()


def test_curves_come_in_order_whatever_the_order_they_lie_in(path, new_pull):
    pulls = [new_pull(torque=float(i)) for i in range(1, 41)]
    with open_store(path, write=True) as store:
        names = store.add(pulls)
        store.replace_data({"P3": pulls[2]}, who="test")  # now it lies behind all others
        store.exclude("P7", why="w", who="test")
        every = store.curves(channels=("torque", "lambda"))
        few = store.curves(["P31", "P3"])
        one = store.curves(["P3"])
    kept = [name for name in names if name != "P7"]
    expected = pl.concat(
        pulls[int(name[1:]) - 1].curve.select(pl.lit(name).alias("pull"), "rpm", "torque", "lambda")
        for name in kept
    )
    assert_frame_equal(every, expected, check_exact=True)
    chosen = expected.drop("lambda").filter(pl.col("pull").is_in(["P3", "P31"]))
    assert_frame_equal(few, chosen, check_exact=True)
    assert_frame_equal(one, chosen.filter(pull="P3"), check_exact=True)


def test_unknown_pulls_and_channels_are_named(filled):
    with open_store(filled) as store:
        with pytest.raises(WarehouseError, match="P99"):
            store.samples("P99")
        with pytest.raises(WarehouseError, match="P77, P99"):
            store.curves(["P1", "P77", "P99"])
        with pytest.raises(WarehouseError, match="not the name of a pull"):
            store.samples("run1.csv")
        with pytest.raises(WarehouseError, match="no curves of torq"):
            store.curves(channels=("torq",))


def test_a_pull_without_a_curve_is_kept_but_excluded_with_its_reason(filled):
    with open_store(filled) as store:
        row = store.pulls().row(4, named=True)
        history = store.amendments("P5").row(0, named=True)
        assert store.samples("P5").height == 40
    assert (row["state"], row["why"], row["rpm_low"]) == ("excluded", "no rise", None)
    assert (history["field"], history["new_value"]) == ("state", "excluded")


def test_what_the_pulls_table_says(filled):
    with open_store(filled) as store:
        row = store.pulls(setup="cooler").row(0, named=True)
    assert row["pull"] == "P4"
    assert (row["engine"], row["dyno"], row["session"]) == ("mule", "cell 1", "monday")
    assert (row["order"], row["state"], row["why"]) == (3, "accepted", None)
    assert (row["rpm_low"], row["rpm_high"]) == (2000.0, 3950.0)


def test_readings_findings_and_attributes_are_kept(filled):
    with open_store(filled) as store:
        assert store.readings("P4")["source"].to_list()[0] == "time col"
        assert store.findings(["P4"]).rows() == [("P4", "clock", "note", "one gap")]
        assert store.findings().height == 5
        said = {(origin, name): value for origin, name, value in store.attributes("P4").rows()}
        setups = store.query("select setup, relative_to, changed from setups order by setup")
    assert said["sheet", "fan"] == "2"
    assert said["file", "Operator"] == "A. Person"
    assert setups.rows() == [("base", None, None), ("cooler", "base", "larger cooler")]


def test_the_original_bytes_come_back(filled, new_pull):
    with open_store(filled) as store:
        sources = store.sources()
        assert sources["pulls"].to_list() == [["P1"], ["P2"], ["P3"], ["P4"], ["P5"]]
        assert store.source(sources["sha256"][0]) == new_pull(torque=300.0).source.data
        with pytest.raises(WarehouseError, match="no file with these bytes"):
            store.source("0" * 64)


def test_two_pulls_of_one_file_share_its_bytes(path, new_pull):
    first = new_pull("both.csv")
    second = dataclasses.replace(new_pull("both.csv", part=2), source=first.source)
    with open_store(path, write=True) as store:
        store.add([first, second])
        assert store.sources()["pulls"].to_list() == [["P1", "P2"]]


def test_a_batch_that_fails_leaves_nothing_behind(filled, new_pull):
    bad = new_pull(torque=9.0)
    # A curve of text cannot be stored; it fails after most of the batch is written.
    bad = dataclasses.replace(bad, curve=bad.curve.with_columns(torque=pl.lit("much")))
    with open_store(filled, write=True) as store:
        before = store.query("select count(*) as n from samples").item()
        with pytest.raises(WarehouseError, match="could not be read or written"):
            store.add([new_pull(torque=8.0), bad])
        assert store.query("select count(*) as n from samples").item() == before
        assert store.pulls().height == 5
        assert store.sources().height == 5
        assert store.add([new_pull(torque=8.0)]) == ("P6",)


def test_a_store_open_for_reading_refuses_to_write(filled, new_pull):
    with open_store(filled) as store:
        for write in (
            lambda: store.add([new_pull(torque=7.0)]),
            lambda: store.exclude("P1", why="w", who="test"),
            lambda: store.amend("P1", "setup", "x", why="w", who="test"),
        ):
            with pytest.raises(WarehouseError, match="open for reading only"):
                write()


def test_reading_and_writing_at_once_in_one_program_is_refused_in_words(filled):
    with (
        open_store(filled),
        pytest.raises(WarehouseError, match="already open in this program"),
    ):
        open_store(filled, write=True, wait_s=0.0)


def test_two_transactions_at_once_never_give_the_same_name(filled, new_pull):
    with open_store(filled, write=True) as one, open_store(filled, write=True) as other:
        one._connection.execute("begin transaction")
        one._connection.execute("update counters set pull_no = pull_no + 1")
        with pytest.raises(WarehouseError):
            other.add([new_pull(torque=6.0)])
        one._connection.execute("commit")
        assert other.add([new_pull(torque=6.0)]) == ("P7",)
