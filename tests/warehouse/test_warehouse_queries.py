"""Every SQL file of queries/ on a small warehouse: its header promises what it gives."""

from __future__ import annotations

import math
import re
import shutil
import tempfile
from dataclasses import replace
from datetime import datetime

import polars as pl
import pytest
from cookbook_pulls import HOT, with_cooler, with_cylinders
from made_declaration import LOOK, QUESTION, RUN_SHEET
from made_pulls import make_pull

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse import NewEvent, connection, named_query, open_store, query_names
from dynostats.warehouse.named import parse_query, queries_folder

FILES = sorted(
    path.relative_to(queries_folder()).with_suffix("").as_posix()
    for path in queries_folder().rglob("*.sql")
    if path.parent.name != "schema"
)
READING = [name for name in FILES if named_query(name).columns and name != "store/checksum"]
QUESTIONS = list(query_names())

# Values for the parameters that have no default, and some that have one.
VALUES: dict[str, object] = {
    "engine": "mule",
    "setup": "base",
    "session": "monday",
    "pull_no": 1,
    "pull_nos": [1, 2],
    "first": 1,
    "last": 2,
    "sha256": ["0" * 64],
    "pulls": 0,
    "amendments": 0,
    "events": 0,
    "shop": "s-1",
    "number": 1,
    "family": "mule",
    "low": 2000.0,
    "high": 3950.0,
    "pull": "P1",
    "channels": ["manifold_pressure", "charge_temperature"],
    "sds": [1.0, 1.0],
}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A warehouse with pulls, corrections and every kind of channel, open for writing."""
    path = tmp_path_factory.mktemp("queries") / "shop.duckdb"
    with open_store(path, write=True) as opened:
        opened.add(
            [
                make_pull("a.csv", torque=300.0, order=1, extra={"knock": [1.0] * 40}),
                make_pull("b.csv", torque=303.0, order=2),
                _with_channels(
                    make_pull(
                        "c.csv",
                        torque=330.0,
                        order=3,
                        setup="cooler",
                        started=datetime(2025, 3, 3, 9),  # noqa: DTZ001 - the shop's clock
                        **HOT,
                    )
                ),
                make_pull("d.csv", torque=306.0, session="tuesday", dyno="cell 2"),
                make_pull("e.csv", torque=1.0, session="tuesday", void="no rise"),
            ]
        )
        opened.amend("P3", "notes", "second gear", why="from the log book", who="test")
        opened.log_event(
            NewEvent(
                dyno="cell 2",
                kind="calibration",
                happened_at=datetime(2025, 5, 12),  # noqa: DTZ001 - the shop's clock
                what="dead weights",
                who="test",
            )
        )
        opened.describe_setup("mule", "cooler", relative_to="base", why="asked", who="test")
        opened.declare(QUESTION, RUN_SHEET)
        opened.note_look(1, LOOK)
        yield opened


def make_lake(cursor):
    """Make what the statements of queries/lake/ read: what the first two of them write."""
    for name, values in (("pulls", {"shop": "s-1"}), ("curves", {})):
        statement = named_query(f"lake/{name}").sql
        cursor.execute(f"create temp table lake_{name} as\n{statement}", values)


def _with_channels(pull):
    """Return a pull whose curve has a clock, a cooler and cylinders too."""
    extra = {"time": [0.125 * i for i in range(40)]} | with_cooler(6.0, 30.0) | with_cylinders(0.05)
    return replace(
        pull, curve=pull.curve.with_columns(**{k: pl.Series(v) for k, v in extra.items()})
    )


def values_for(name):
    query = named_query(name)
    values = {p.name: VALUES[p.name] for p in query.parameters if p.required}
    if name in {"store/source", "store/importer_state"}:
        values["sha256"] = "0" * 64
    return query.bind(values)


def test_there_are_queries():
    assert len(FILES) > 60
    assert len(QUESTIONS) >= 25


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_says_which_columns_tell_its_rows_apart(name):
    query = named_query(name)
    columns = {column.name for column in query.columns}
    assert query.key, "write a line '-- key: column, column' below the grain"
    assert set(query.key) <= columns


@pytest.mark.parametrize("name", FILES)
def test_a_header_can_be_read_and_the_text_is_in_house_style(name):
    query = named_query(name)
    code = "\n".join(line for line in query.sql.splitlines() if not line.startswith("--"))
    quoted = re.sub(r"'[^']*'|\"[^\"]*\"", "", code)
    assert query.question.endswith((")", "?"))
    assert query.grain
    assert quoted == quoted.lower(), "SQL is written in lower case"
    assert "\t" not in code
    assert code.rstrip().endswith(";")
    assert not re.search(r"(group|order) by \d", code), "columns are named, not numbered"
    used = set(re.findall(r"\$(\w+)", quoted))
    assert used == {parameter.name for parameter in query.parameters}
    assert max(len(line) for line in query.sql.splitlines()) <= 120


@pytest.mark.parametrize("name", READING)
def test_a_result_has_the_columns_and_types_of_its_header(store, name):
    query = named_query(name)
    with store._connection.cursor() as cursor:
        if name.startswith("lake/"):
            make_lake(cursor)
        rows = cursor.sql(query.sql, params=values_for(name))
        got = dict(zip(rows.columns, (str(kind).lower() for kind in rows.types), strict=True))
    promised = {column.name: column.type for column in query.columns}
    if "the channels follow" in query.question or name in {
        "store/curves_of",
        "store/curves_between",
        "store/samples",
    }:
        got = {column: got[column] for column in promised}
    assert got == promised
    assert list(got) == list(promised)


@pytest.mark.parametrize("name", QUESTIONS)
def test_one_row_is_what_the_grain_says(store, name):
    answer = store.query(
        name, {p.name: VALUES[p.name] for p in named_query(name).parameters if p.required}
    )
    assert answer.height > 0, "a question without an answer here tests nothing"
    assert answer.select(named_query(name).key).is_unique().all()


def test_a_sound_warehouse_has_no_row_in_any_check(store):
    checks = [name for name in FILES if name.startswith("verify/")]
    assert len(checks) >= 10
    assert [name for name in checks if store.query(name).height] == []


def test_cell_noise_is_the_pooled_standard_deviation_of_log_torque(store):
    # One group repeats a setup within a session: P1 and P2, 300 and 303 N.m plus the same wave.
    wave = [math.sin(i) for i in range(40)]
    halves = [(math.log(303.0 + w) - math.log(300.0 + w)) ** 2 / 2 for w in wave]
    answer = store.query("cell_noise").row(0, named=True)
    assert (answer["groups"], answer["pulls"], answer["pull_df"]) == (1, 2, 1)
    assert answer["pull_sd_pct"] == pytest.approx(100 * math.sqrt(sum(halves) / 40), rel=1e-9)


def test_history_statistics_merge_to_the_plain_mean_and_variance(store):
    rows = store.query("history_statistics", {"engine": "mule"}).filter(pl.col("rpm") == 2000.0)
    base = rows.filter(setup="base", session="monday").row(0, named=True)
    logs = [math.log(300.0), math.log(303.0)]  # the wave is 0 at the first sample
    mean = sum(logs) / 2
    assert base["pulls"] == 2
    assert base["mean_log_torque"] == pytest.approx(mean, rel=1e-12)
    assert base["m2_log_torque"] == pytest.approx(sum((x - mean) ** 2 for x in logs), rel=1e-6)


def test_run_order_lists_a_session_in_its_order(store):
    answer = store.query("run_order", {"session": "monday"})
    assert answer["pull"].to_list() == ["P1", "P2", "P3"]
    mean_wave = sum(math.sin(i) for i in range(40)) / 40
    assert answer["mean_torque"].to_list() == pytest.approx(
        [t + mean_wave for t in (300, 303, 330)]
    )


def test_study_curves_give_power_from_torque_and_speed(store):
    answer = store.query("study_curves", {"engine": "mule", "setups": "cooler"})
    assert answer["pull"].unique().to_list() == ["P3"]
    expected = answer["torque"] * answer["rpm"] * math.pi / 30000
    assert answer["power"].to_list() == pytest.approx(expected.to_list(), rel=1e-14)


def test_thin_comparisons_name_pairs_with_too_few_pulls(store):
    assert store.query("thin_comparisons", {"least": "3"}).rows() == [
        ("mule", None, "monday", "base", "cooler", 2, 1)
    ]
    assert store.query("thin_comparisons", {"least": 1}).is_empty()


def test_channels_list_known_and_other_ones(store):
    answer = {row[0]: row[1:] for row in store.query("channels").rows()}
    assert answer["torque"] == ("N.m", True, 5)
    assert answer["oil_pressure"] == ("kPa", True, 0)
    assert answer["knock"] == ("V", False, 1)


def test_setups_count_their_pulls_and_sessions(store):
    rows = {row["setup"]: row for row in store.query("setups").rows(named=True)}
    assert (rows["base"]["sessions"], rows["base"]["accepted"], rows["base"]["excluded"]) == (
        2,
        3,
        1,
    )
    assert (rows["cooler"]["relative_to"], rows["cooler"]["accepted"]) == ("base", 1)
    assert rows["cooler"]["first_started"] == datetime(2025, 3, 3, 9)  # noqa: DTZ001
    assert rows["base"]["first_started"] is None


def test_sources_are_counted_with_their_size(store):
    answer = store.query("sources")
    assert answer["file"].to_list() == ["a.csv", "b.csv", "c.csv", "d.csv", "e.csv"]
    assert answer["pulls"].to_list() == [["P1"], ["P2"], ["P3"], ["P4"], ["P5"]]
    sizes = [len(store.source(sha256)) for sha256 in answer["sha256"]]
    assert answer["size"].to_list() == sizes


def test_findings_are_what_was_noticed_of_each_pull(store):
    answer = store.query("findings")
    assert answer.filter(check="clock").height == 5
    assert set(answer.filter(check="clock")["message"]) == {"one gap"}


def test_attributes_are_what_files_and_sheets_say(store):
    answer = store.query("attributes", {"names": ["operator"]})
    assert answer["value"].to_list() == ["A. Person"] * 5
    assert set(answer["origin"]) == {"file"}


def test_a_declared_question_and_its_look_are_told_as_they_were_stored(store):
    (declared,) = store.query("declared").rows(named=True)
    for name in ("engine", "baseline", "candidate", "margin_pct", "alpha", "pulls_per_setup"):
        assert declared[name] == QUESTION[name]
    assert (declared["looks_planned"], declared["looks_taken"]) == (QUESTION["looks"], 1)
    assert declared["decision"] == LOOK["decision"]
    (look,) = store.query("looks").rows(named=True)
    for name in ("look", "pairs", "information", "level", "verdict", "effect_pct", "low_pct"):
        assert look[name] == LOOK[name]


def test_amendments_say_what_stood_there_and_what_does_now(store):
    rows = store.query("amendments").rows(named=True)
    assert [(row["pull"], row["field"], row["new_value"]) for row in rows if row["pull"]] == [
        ("P5", "state", "excluded"),
        ("P3", "notes", "second gear"),
    ]
    assert store.query("amendments", {"pull": "P3"}).height == 1


def test_events_are_told_by_date(store):
    (event,) = store.query("events").rows(named=True)
    assert (event["event"], event["kind"], event["what"]) == ("E1", "calibration", "dead weights")
    assert store.query("events", {"dyno": "cell 1"}).is_empty()


def test_rows_of_a_regression_have_the_logs_of_the_main_channels(store):
    rows = store.query("regression_rows", {"setups": ["cooler"]})
    assert rows["pull"].unique().to_list() == ["P3"]
    assert rows.height == 40
    first = rows.sort("rpm").row(0, named=True)
    assert first["log_torque"] == pytest.approx(math.log(330.0), rel=1e-12)
    assert first["log_rpm"] == pytest.approx(math.log(2000.0), rel=1e-12)
    assert first["log_lambda"] == pytest.approx(math.log(0.85), rel=1e-12)


def test_pulls_are_narrowed_by_their_labels(store):
    assert store.query("pulls", {"session": "monday"})["pull"].to_list() == ["P1", "P2", "P3"]
    (void,) = store.query("pulls").filter(state="excluded").rows(named=True)
    assert (void["pull"], void["why"]) == ("P5", "no rise")


def test_a_result_larger_than_the_memory_limit_streams_to_a_file(store, tmp_path, monkeypatch):
    # 3 million rows of 32 letters and more are over 100 MB; the engine may keep 60.
    monkeypatch.setitem(connection._READING, "memory_limit", "60MB")
    shutil.copyfile(store.path, tmp_path / "shop.duckdb")
    out = tmp_path / "large.parquet"
    with open_store(tmp_path / "shop.duckdb") as small:
        limit = small.query("select current_setting('memory_limit') as limit_now").item()
        assert limit.startswith("57")  # MiB
        small.query_to(out, "select i, md5(i::varchar) as text from range(3000000) as r(i)")
    assert pl.scan_parquet(out).select(pl.len()).collect().item() == 3_000_000


def test_on_a_medium_that_can_only_be_read_large_work_goes_to_the_temporary_folder(
    store, tmp_path, monkeypatch
):
    shutil.copyfile(store.path, tmp_path / "shop.duckdb")
    monkeypatch.setattr(connection.os, "access", lambda *_: False)
    with open_store(tmp_path / "shop.duckdb") as reading:
        place = reading.query("select current_setting('temp_directory') as place").item()
    assert place == tempfile.gettempdir()


def test_without_any_folder_to_write_into_what_fits_in_memory_is_answered(
    store, tmp_path, monkeypatch
):
    def none() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setitem(connection._READING, "memory_limit", "60MB")
    # A folder inside a file can be made by nobody, whoever runs the test: as on a medium that can
    # only be read, where the storage engine says the same.
    (tmp_path / "file").touch()
    monkeypatch.setitem(connection._READING, "temp_directory", str(tmp_path / "file" / "spill"))
    shutil.copyfile(store.path, tmp_path / "shop.duckdb")
    monkeypatch.setattr(connection.os, "access", lambda *_: False)
    monkeypatch.setattr(connection.tempfile, "gettempdir", none)
    with open_store(tmp_path / "shop.duckdb") as reading:
        assert reading.query("select sum(i) as total from range(1000) as r(i)").item() == 499_500
        with pytest.raises(WarehouseError, match="no folder to write the rest into") as told:
            reading.query(
                "select i, row_number() over (order by md5(i::varchar)) as place "
                "from range(5000000) as r(i)"
            )
    assert "TMPDIR" in told.value.mend


# Each check of queries/verify/ must find the fault it is for: a check that cannot fail is none.
FAULTS = {
    "cell_events": "update cell_events set withdraws = 9",
    "channels_stored": "delete from other_channels",
    "declared_questions": "delete from declared_pulls",
    "curve_ranges": "delete from stored_curves where pull_no = 1 and rpm > 3000",
    "history_of_labels": "update pulls set notes = 'tampered' where pull_no = 3",
    "labels_registered": "delete from setups where setup = 'cooler'",
    "numbers": "update counters set pull_no = 2",
    "pulls_without_source": "delete from stored_sources where file = 'b.csv'",
    "rows_without_pull": "delete from pulls where pull_no = 2",
    "sample_counts": "delete from stored_samples where pull_no = 2 and sample = 39",
    "source_bytes": "update stored_sources set data = 'x'::blob where file = 'a.csv'",
    "void_without_reason": "update pulls set why = null where pull_no = 5",
}


def test_every_check_has_a_fault_to_find():
    assert {f"verify/{name}" for name in FAULTS} == {n for n in FILES if n.startswith("verify/")}


@pytest.mark.parametrize("check", sorted(FAULTS))
def test_a_check_finds_its_fault(store, check):
    with store._connection.cursor() as cursor:
        cursor.execute("begin transaction")
        cursor.execute(FAULTS[check])
        found = cursor.execute(named_query(f"verify/{check}").sql).fetchall()
        cursor.execute("rollback")
    assert found


@pytest.mark.parametrize(
    "twice",
    [
        "insert into pulls by name select * exclude (pull) from pulls where pull_no = 1",
        "update pulls set sha256 = (select sha256 from pulls where pull_no = 1) where pull_no = 2",
        "insert into stored_sources select * from stored_sources limit 1",
        "insert into engines select * from engines",
        "insert into setups select * from setups limit 1",
        "insert into sessions select * from sessions limit 1",
        "insert into amendments select * from amendments limit 1",
    ],
)
def test_what_would_be_a_key_is_checked(store, twice):
    with store._connection.cursor() as cursor:
        cursor.execute("begin transaction")
        cursor.execute(twice)
        found = cursor.execute(named_query("verify/numbers").sql).fetchall()
        cursor.execute("rollback")
    assert any("stored twice" in fault for _, fault in found)


def test_headers_are_parsed_part_by_part():
    query = parse_query(
        "made_up",
        "-- question: What?\n-- grain: one row a pull\n-- key: pull\n"
        "-- parameter: engine varchar : the engine\n"
        "-- parameter: rpm double = 2500 : from where\n"
        "-- parameter: setups varchar[] = null\n"
        "-- column: pull varchar\n-- column: torque double [N.m] : mean\nselect 1;",
    )
    engine, rpm, setups = query.parameters
    assert (engine.name, engine.required, engine.meaning) == ("engine", True, "the engine")
    assert (rpm.default, rpm.required) == (2500.0, False)
    assert (setups.type, setups.default, setups.required) == ("varchar[]", None, False)
    assert query.key == ("pull",)
    assert [(c.name, c.type, c.unit, c.meaning) for c in query.columns] == [
        ("pull", "varchar", "", ""),
        ("torque", "double", "N.m", "mean"),
    ]


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("double", "2500", 2500.0),
        ("integer", "3", 3),
        ("boolean", "yes", True),
        ("varchar", "0147", "0147"),
        ("varchar[]", "a, b", ["a", "b"]),
        ("double[]", "1,2.5", [1.0, 2.5]),
    ],
)
def test_texts_become_the_type_of_the_parameter(kind, text, value):
    query = parse_query(
        "made_up", f"-- question: What?\n-- grain: one\n-- parameter: x {kind} : x\nselect $x;"
    )
    assert query.bind({"x": text}) == {"x": value}


@pytest.mark.parametrize(
    ("kind", "text"),
    [("double", "fast"), ("integer", "2.5"), ("boolean", "maybe"), ("timestamp", "yesterday")],
)
def test_a_text_that_is_not_of_the_type_is_refused(kind, text):
    query = parse_query(
        "made_up", f"-- question: What?\n-- grain: one\n-- parameter: x {kind} : x\nselect $x;"
    )
    with pytest.raises(InputError, match=f"x is '{text}'; it must be of type {kind}"):
        query.bind({"x": text})


@pytest.mark.parametrize(
    "header",
    ["-- grain: one\n", "-- question: What?\n", "-- question: W?\n-- grain: g\n-- parameter: x\n"],
)
def test_an_incomplete_header_is_a_fault_of_the_file(header):
    with pytest.raises(ValueError, match=r"queries/made_up\.sql"):
        parse_query("made_up", header + "select 1;")


def test_a_missing_value_is_asked_for():
    with pytest.raises(InputError, match="needs a value for session"):
        named_query("run_order").bind({})


@pytest.mark.parametrize("name", ["../schema/001_warehouse", "no_such", "store/../pulls", ""])
def test_only_names_of_queries_are_names(name):
    with pytest.raises(InputError, match="no query of that name"):
        named_query(name)
