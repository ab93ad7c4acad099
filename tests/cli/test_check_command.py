"""`check` in the terminal and as JSON."""

from __future__ import annotations

import polars as pl
import pytest

from dynostats.analysis.acceptance import Acceptance, PullFinding
from dynostats.analysis.acceptance.labels import SCHEMA
from dynostats.cli.acceptance import print_acceptance
from dynostats.cli.output import answer_console
from dynostats.curves.acceptance.danger import CYLINDER_DANGER


def test_the_json_of_the_contract(on):
    ran = on("check", "--json")
    answer = ran.json()
    assert ran.status == 0
    assert isinstance(answer["findings"], list)
    assert answer["pulls"] == 10
    for finding in answer["findings"]:
        assert set(finding) >= {"pull", "check", "severity", "message"}
        assert finding["severity"] in {"void", "doubtful", "note"}


def test_some_pulls(on):
    assert on("check", "P1", "P3", "--json").json()["pulls"] == 2


def test_a_pull_that_is_not_there(on):
    ran = on("check", "P11", "--json")
    assert ran.status == 1
    error = ran.json()["error"]
    assert error["what"] == "there is no pull 'P11' in the warehouse"
    assert "Did you mean 'P1" in error["mend"]
    assert "Did you mean" in ran.err


def test_without_a_warehouse(run, tmp_path):
    ran = run("--warehouse", tmp_path / "none.duckdb", "check")
    assert ran.status == 1
    assert "no warehouse" in ran.err
    assert list(tmp_path.iterdir()) == []


def found(pull, check, severity, message, *, danger=False):
    return PullFinding(pull=pull, check=check, severity=severity, message=message, danger=danger)


@pytest.fixture
def printed(capsys):
    result = Acceptance(
        pulls=("P1", "P2", "P3", "P4"),
        findings=(
            found("P1", "torque_collapsed", "void", "Torque falls."),
            found("P2", "spiked", "doubtful", "Boost jumps."),
            found("P3", "spiked", "doubtful", "Boost jumps."),
            found("P3", "lean_cylinder", "note", "Danger to the engine.", danger=True),
            found("P3", "sweep", "note", "A blip."),
        ),
        labels=pl.DataFrame(schema=SCHEMA),
        limits=pl.DataFrame(),
        cannot_tell=("mill, labels: too few pulls",),
    )
    print_acceptance(result, answer_console())
    return capsys.readouterr().out


def test_dangers_come_first_then_by_gravity(printed):
    titles = ["Danger to the engine first", "Void", "Doubtful", "Good to know", "Cannot be told"]
    places = [printed.index(title) for title in titles]
    assert places == sorted(places)
    assert "4 pulls judged: 1 void, 2 doubtful, 0 with notes, 1 without a finding." in printed


def test_the_same_finding_is_said_once_with_its_pulls(printed):
    assert printed.count("Boost jumps.") == 1
    assert "P2, P3 (spiked): Boost jumps." in printed
    assert printed.count("lean_cylinder") == 1


def test_a_clean_warehouse_is_one_line(on):
    assert "without a finding" in on("check", "P1").out


def printed_of(capsys, findings):
    result = Acceptance(
        pulls=tuple(finding.pull for finding in findings),
        findings=tuple(findings),
        labels=pl.DataFrame(schema=SCHEMA),
        limits=pl.DataFrame(),
        cannot_tell=(),
    )
    print_acceptance(result, answer_console())
    return " ".join(capsys.readouterr().out.split())


def test_of_many_dangers_each_is_said_with_its_own_numbers(capsys):
    lean = [f"{CYLINDER_DANGER} Cylinder {n} runs at lambda 1.0{n}." for n in range(9)]
    out = printed_of(
        capsys,
        [found(f"P{n}", "lean_cylinder", "note", text, danger=True) for n, text in enumerate(lean)],
    )
    assert out.count(CYLINDER_DANGER) == 1
    for n in range(9):
        assert f"P{n} (lean_cylinder): Cylinder {n} runs at lambda 1.0{n}." in out


@pytest.mark.parametrize("severity", ["doubtful", "note"])
def test_many_pulls_of_one_finding_are_all_named(capsys, severity):
    out = printed_of(
        capsys, [found(f"P{n}", "short", severity, f"It ends at {n} rpm.") for n in range(9)]
    )
    assert "P0 to P8 (short): It ends at 0 rpm. (These numbers are of P0;" in out
    assert out.count("It ends at") == 1


def test_each_void_pull_has_its_own_numbers(capsys):
    out = printed_of(
        capsys, [found(f"P{n}", "short", "void", f"It ends at {n} rpm.") for n in range(9)]
    )
    assert [f"P{n} (short): It ends at {n} rpm." in out for n in range(9)] == [True] * 9
