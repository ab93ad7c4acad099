"""Corrections: the change, the line that keeps it, and any past state again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from dynostats.errors import WarehouseError
from dynostats.warehouse import open_store, verify

WHY = {"why": "wrong line of the sheet", "who": "A. Person"}


def spread_over_days(store):
    """Put the corrections of P1 a day apart, from tomorrow on; return those days."""
    tomorrow = datetime.now(UTC).replace(microsecond=0) + timedelta(days=1)
    days = [tomorrow + timedelta(days=day) for day in range(10)]
    numbers = store.query("select amendment_no from amendments where pull_no = 1 order by all")
    for number, day in zip(numbers["amendment_no"], days, strict=False):
        store._connection.execute(
            "update amendments set amended_at = $at where amendment_no = $number",
            {"at": day.replace(tzinfo=None), "number": number},
        )
    return days


def row_of(store, pull, **options):
    return store.pulls(**options).filter(pull=pull).row(0, named=True)


def test_exclude_keeps_the_pull_and_says_why(filled):
    with open_store(filled, write=True) as store:
        correction = store.exclude("P1", why="wheel slip", who="A. Person")
        row = row_of(store, "P1")
        assert store.samples("P1").height == 40
        line = store.amendments("P1").row(0, named=True)
    assert (correction.old, correction.new) == ("accepted", "excluded")
    assert (row["state"], row["why"]) == ("excluded", "wheel slip")
    assert (line["who"], line["field"], line["why"]) == ("A. Person", "state", "wheel slip")


def test_include_takes_it_back_and_both_lines_stay(filled):
    with open_store(filled, write=True) as store:
        store.exclude("P1", **WHY)
        store.include("P1", why="it was another pull", who="A. Person")
        row = row_of(store, "P1")
        states = store.amendments("P1")["new_value"].to_list()
    assert (row["state"], row["why"]) == ("accepted", None)
    assert states == ["excluded", "accepted"]


def test_including_an_accepted_pull_changes_nothing(filled):
    with open_store(filled, write=True) as store:
        with pytest.raises(WarehouseError, match="accepted already"):
            store.include("P1", **WHY)
        assert store.amendments("P1").is_empty()


@pytest.mark.parametrize(
    ("field", "value", "column", "stored"),
    [
        ("engine", "mule 2", "engine", "mule 2"),
        ("dyno", "cell 2", "dyno", "cell 2"),
        ("dyno", "", "dyno", None),
        ("session", "friday", "session", "friday"),
        ("setup", "cooler", "setup", "cooler"),
        ("order", "7", "order", 7),
        ("order", "", "order", None),
        ("started", "2025-03-14T16:05", "started", datetime(2025, 3, 14, 16, 5)),  # noqa: DTZ001
        ("ambient_pressure", "98.6", "ambient_pressure_kpa", 98.6),
        ("ambient_temperature", "-3.5", "ambient_temperature_c", -3.5),
        ("relative_humidity", "45", "ambient_humidity_pct", 45.0),
        ("notes", "second gear", "notes", "second gear"),
    ],
)
def test_every_label_can_be_amended(filled, field, value, column, stored):
    with open_store(filled, write=True) as store:
        before = row_of(store, "P1")
        store.amend("P1", field, value, **WHY)
        after = row_of(store, "P1")
    assert after[column] == stored
    assert after == before | {column: stored}
    assert verify(filled).faults == ()


def test_attributes_can_be_amended_and_added(filled):
    with open_store(filled, write=True) as store:
        assert store.amend("P4", "fan", "3", **WHY).old == "2"
        assert store.amend("P4", "fuel batch", "B7", **WHY).old is None
        said = {name: value for origin, name, value in store.attributes("P4").rows()}
        history = store.amendments("P4").select("field", "old_value", "new_value").rows()
    assert (said["fan"], said["fuel batch"]) == ("3", "B7")
    assert history == [("fan", "2", "3"), ("fuel batch", None, "B7")]


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("setup", "", "setup cannot be empty"),
        ("setup", "   ", "setup cannot be empty"),
        ("order", "third", "cannot be a value of order"),
        ("started", "yesterday", "cannot be a value of started"),
        ("ambient_pressure", "high", "cannot be a value of ambient_pressure"),
        ("ambient_pressure", "nan", "cannot be a value of ambient_pressure"),
        ("ambient_pressure", "29.92", "cannot be a value of ambient_pressure"),
        ("relative_humidity", "140", "cannot be a value of relative_humidity"),
        ("setup", "base", "is base already"),
        ("state", "void", "state cannot be amended"),
        ("pull", "P9", "pull cannot be amended"),
    ],
)
def test_an_amendment_that_does_not_fit_changes_nothing(filled, field, value, message):
    with open_store(filled, write=True) as store:
        before = store.pulls()
        with pytest.raises(WarehouseError, match=message):
            store.amend("P1", field, value, **WHY)
        assert store.pulls().equals(before)
        assert store.amendments("P1").is_empty()


def test_every_correction_needs_a_reason(filled):
    with open_store(filled, write=True) as store:
        for correct in (
            lambda: store.exclude("P1", why=" ", who="x"),
            lambda: store.amend("P1", "setup", "cooler", why="", who="x"),
            lambda: store.describe_setup("mule", "base", changed="x", why="", who="x"),
        ):
            with pytest.raises(WarehouseError, match="needs a reason"):
                correct()
        assert store.amendments().height == 1  # the void pull of the fixture
        assert store.pulls()["state"].to_list()[0] == "accepted"


def test_a_pull_that_is_not_there(filled):
    with open_store(filled, write=True) as store, pytest.raises(WarehouseError, match="P99"):
        store.exclude("P99", **WHY)


def test_the_state_as_of_any_past_time(filled):
    with open_store(filled, write=True) as store:
        store.amend("P1", "setup", "second", **WHY)
        store.exclude("P1", why="first reason", who="x")
        store.exclude("P1", why="better reason", who="x")
        store.amend("P1", "setup", "third", **WHY)
        store.amend("P1", "dyno", "", **WHY)
        store.include("P1", why="it was fine", who="x")
        days = spread_over_days(store)

        def seen(moment):
            row = row_of(store, "P1", as_of=moment)
            return row["setup"], row["state"], row["why"], row["dyno"]

        hour = timedelta(hours=1)
        expected = [
            ("base", "accepted", None, "cell 1"),
            ("second", "accepted", None, "cell 1"),
            ("second", "excluded", "first reason", "cell 1"),
            ("second", "excluded", "better reason", "cell 1"),
            ("third", "excluded", "better reason", "cell 1"),
            ("third", "excluded", "better reason", None),
            ("third", "accepted", None, None),
        ]
        assert [seen(days[day] - hour) for day in range(7)] == expected
        assert seen(None) == expected[-1]


def test_before_it_was_stored_a_pull_was_not_there(filled):
    with open_store(filled) as store:
        assert store.pulls(as_of=datetime(2020, 1, 1, tzinfo=UTC)).is_empty()
        assert store.pulls(as_of=datetime.now(UTC) + timedelta(days=1)).height == 5


def test_past_times_may_come_in_any_zone(filled):
    with open_store(filled, write=True) as store:
        store.amend("P1", "setup", "second", **WHY)
        day = spread_over_days(store)[0].astimezone(timezone(timedelta(hours=9)))
        before, after = day - timedelta(minutes=1), day + timedelta(minutes=1)
        local = after.astimezone().replace(tzinfo=None)  # without zone: local time
        setups = [row_of(store, "P1", as_of=at)["setup"] for at in (before, after, local)]
    assert setups == ["base", "second", "second"]


def test_what_a_setup_was_changed_from_can_be_said_later(filled):
    with open_store(filled, write=True) as store:
        store.describe_setup("mule", "cooler", changed="wider cooler", **WHY)
        said = store.query("select relative_to, changed from setups where setup = 'cooler'")
        line = store.amendments().row(-1, named=True)
        with pytest.raises(WarehouseError, match="no setup turbo"):
            store.describe_setup("mule", "turbo", changed="x", **WHY)
    assert said.rows() == [("base", "wider cooler")]
    assert (line["pull"], line["engine"], line["setup"]) == (None, "mule", "cooler")
    assert (line["field"], line["old_value"]) == ("changed", "larger cooler")


def test_an_amended_label_is_registered(filled):
    with open_store(filled, write=True) as store:
        store.amend("P1", "engine", "mule 2", **WHY)
        setups = store.query("select engine, setup from setups order by all").rows()
    assert setups == [("mule", "base"), ("mule", "cooler"), ("mule 2", "base")]
