"""`watch` on the command line: the last state as one JSON document, the page, what is refused."""

from __future__ import annotations

import json
import shutil

import pytest
from cell_day import CANDIDATE, factor_of, log_of

from dynostats.cli import main


@pytest.fixture
def run(capsys, monkeypatch):
    """Return a function that runs a command and returns status, output and errors."""
    monkeypatch.delenv("DYNOSTATS_WAREHOUSE", raising=False)

    def run(*arguments):
        capsys.readouterr()
        with pytest.raises(SystemExit) as stop:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return stop.value.code, said.out, said.err

    return run


@pytest.fixture
def shop_and_logs(shop, tmp_path):
    warehouse = tmp_path / "shop.duckdb"
    shutil.copyfile(shop[0], warehouse)
    logs = tmp_path / "logs"
    logs.mkdir()
    return warehouse, logs


def test_once_takes_what_is_there_and_prints_the_state(run, shop_and_logs):
    warehouse, logs = shop_and_logs
    for number, setup in enumerate(("old", CANDIDATE), start=1):
        text = log_of(factor_of(setup), seed=number)
        (logs / f"today-0{number}.csv").write_text(text, encoding="utf-8")
    (logs / "today-03.csv").write_text(text[: len(text) // 2], encoding="utf-8")
    options = ("watch", logs, "--once", "--settle", "0.1", "--json")
    status, out, _ = run("--warehouse", warehouse, *options)
    state = json.loads(out)
    assert status == 0
    assert [pull["setup"] for pull in state["pulls"]] == ["old", CANDIDATE]
    assert state["decision"] == "go on"
    assert state["next"]["setup"] == CANDIDATE
    assert state["declared"]["looks_planned"] == 4
    (half,) = state["files"]
    assert (half["file"], half["state"]) == ("today-03.csv", "stuck")
    page = warehouse.with_name("watch.html").read_text("utf-8")
    assert "today-02.csv" in page
    assert "Content-Security-Policy" in page


def test_the_terminal_says_what_to_do_next(run, shop_and_logs):
    warehouse, logs = shop_and_logs
    (logs / "a.csv").write_text(log_of(1.0, seed=1), encoding="utf-8")
    page = logs.parent / "cell.html"
    options = ("watch", logs, "--once", "--settle", "0.1", "--page", page)
    status, out, err = run("--warehouse", warehouse, *options)
    assert status == 0
    assert "accepted" in out
    assert "next: new" in out
    assert str(page) in err
    assert page.exists()


def test_without_a_declared_question_it_says_how_to_declare_one(run, first_warehouse, tmp_path):
    status, out, _ = run("--warehouse", first_warehouse, "watch", tmp_path, "--once", "--json")
    error = json.loads(out)["error"]
    assert status == 1
    assert "no question was declared" in error["what"]
    assert "--declare" in error["mend"]


def test_an_unknown_question_is_refused(run, shop_and_logs):
    warehouse, logs = shop_and_logs
    options = ("watch", logs, "--once", "--question", "7", "--json")
    status, out, _ = run("--warehouse", warehouse, *options)
    assert status == 1
    assert json.loads(out)["error"]["what"] == "there is no question 7"
