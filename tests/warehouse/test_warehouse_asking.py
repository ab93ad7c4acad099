"""The user's own SQL: it reads, and can do nothing else."""

from __future__ import annotations

import json

import duckdb
import polars as pl
import pytest
from forbidden_sql import CHANGES_SETTINGS, REACHES_OUT, WRITES

from dynostats.errors import InputError
from dynostats.warehouse import open_store, verify


@pytest.fixture(params=[False, True], ids=["reading", "writing"])
def store(filled, request):
    """A store open for reading, and one open for writing: neither may be written by a query."""
    with open_store(filled, write=request.param) as opened:
        yield opened


def test_a_selection_is_answered(store):
    answer = store.query("select setup, count(*) as pulls from pulls group by setup order by setup")
    assert answer.rows() == [("base", 3), ("cooler", 2)]


def test_parameters_are_bound_not_pasted(store):
    text = "select pull from pulls where setup = $setup"
    assert store.query(text, {"setup": "cooler"})["pull"].to_list() == ["P4", "P5"]
    assert store.query(text, {"setup": "x' or true --"}).is_empty()
    assert store.query(text, {"setup": "cooler'; drop table pulls; --"}).is_empty()
    assert store.query("select count(*) as n from pulls").item() == 5


def test_a_number_given_as_text_is_compared_as_a_number(store):
    answer = store.query("select pull from pulls where rpm_high > $rpm", {"rpm": "3000"})
    assert answer.height == 4


@pytest.mark.parametrize("text", WRITES + REACHES_OUT + CHANGES_SETTINGS)
def test_what_a_query_must_not_do(store, text, tmp_path):
    (tmp_path / "secret.csv").write_text("a,b\n1,2\n")
    before = sorted(entry.name for entry in tmp_path.iterdir())
    with pytest.raises(InputError) as refused:
        store.query(text.format(folder=tmp_path))
    assert refused.value.what
    assert refused.value.mend
    assert sorted(entry.name for entry in tmp_path.iterdir()) == before
    # The store works on, and everything is still there.
    assert store.query("select count(*) as n from pulls where setup = 'base'").item() == 3
    assert store.query("select count(*) as n from samples").item() == 200


def test_a_query_sees_no_variable_of_the_program(store):
    secret = pl.DataFrame({"a": [1]})
    assert secret.height == 1
    with pytest.raises(InputError, match="secret does not exist"):
        store.query("select * from secret")


def test_after_every_attempt_the_warehouse_is_what_it_was(filled):
    before = verify(filled)
    with open_store(filled, write=True) as store:
        for text in WRITES:
            with pytest.raises(InputError):
                store.query(text)
    assert verify(filled) == before


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "0 statements"),
        ("   -- only a remark", "0 statements"),
        ("select 1; select 2", "2 statements"),
        ("selct 1", "not SQL"),
        ("select * from pull", "Table with name pull does not exist"),
        ("select torqe from samples", "torqe"),
        ("select 'a'::integer as x", "Could not convert"),
        ("select 1 as x, 2 as x", "several columns are called x"),
        ("select $x as x", "needs a value for \\$x"),
    ],
)
def test_a_wrong_statement_is_named(store, text, message):
    with pytest.raises(InputError, match=message):
        store.query(text)


def test_an_unknown_parameter_names_the_nearest(store):
    with pytest.raises(InputError, match=r"no parameter \$setpu") as refused:
        store.query("select pull from pulls where setup = $setup", {"setpu": "x"})
    assert "Did you mean 'setup'?" in refused.value.mend


def test_an_unknown_query_names_the_nearest(store):
    with pytest.raises(InputError, match="no query of that name") as refused:
        store.query("pull")
    assert "Did you mean 'pulls'?" in refused.value.mend


def test_every_kind_of_value_comes_back_in_a_plain_type(store):
    answer = store.query(
        "select 1.5 as exact, 2::hugeint as wide, interval 3 day as span, map(['a'], [1]) as pairs,"
        " struct_pack(a := 1) as fields, uuid() as id, [1.5, 2.5] as list, null as nothing,"
        " 'x'::enum('x', 'y') as kind, '{}'::json as text, 'infinity'::double as limitless"
    )
    kinds = answer.schema
    assert kinds["exact"] == kinds["wide"] == pl.Float64
    assert kinds["list"] == pl.List(pl.Float64)
    for name in ("span", "pairs", "fields", "id", "nothing", "kind", "text"):
        assert kinds[name] == pl.String
    assert answer["pairs"].item() == "{a=1}"


@pytest.mark.parametrize("ending", [".parquet", ".csv", ".ndjson"])
def test_a_result_can_be_streamed_to_a_file(store, tmp_path, ending):
    out = tmp_path / f"result{ending}"
    store.query_to(out, "select pull, rpm_low, [1, 2] as list from pulls order by pull")
    if ending == ".ndjson":
        lines = [json.loads(line) for line in out.read_text().splitlines()]
        assert lines[0] == {"pull": "P1", "rpm_low": 2000.0, "list": [1, 2]}
    else:
        read = pl.read_parquet(out) if ending == ".parquet" else pl.read_csv(out)
        assert read["pull"].to_list() == ["P1", "P2", "P3", "P4", "P5"]
        assert read["rpm_low"].to_list() == [2000.0] * 4 + [None]
    assert not list(tmp_path.glob("*.part"))


def test_a_file_that_cannot_be_written_is_named_and_nothing_is_left(store, tmp_path):
    for out, message in (
        (tmp_path / "result.docx", "not a form"),
        (tmp_path / "nowhere" / "result.csv", "could not be written"),
    ):
        with pytest.raises(InputError, match=message):
            store.query_to(out, "select 1 as one")
        assert not out.exists()
    with pytest.raises(InputError, match="Could not convert"):
        store.query_to(tmp_path / "result.csv", "select pull::integer as x from pulls")
    assert not list(tmp_path.glob("*result*"))


def test_an_out_file_that_exists_is_kept_when_the_query_fails(store, tmp_path):
    out = tmp_path / "result.csv"
    out.write_text("old\n")
    with pytest.raises(InputError):
        store.query_to(out, "select pull::integer as x from pulls")
    assert out.read_text() == "old\n"


def test_the_engine_we_rely_on_counts_a_writing_cte_as_a_selection():
    # Why the kind of the statement is not enough, and a read-only transaction is needed.
    with duckdb.connect() as connection:
        connection.execute("create table t (a integer)")
        (statement,) = connection.extract_statements(
            "with new as (insert into t values (1) returning a) select a from new"
        )
        assert statement.type == duckdb.StatementType.SELECT
