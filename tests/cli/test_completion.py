"""The Tab key, as the three shells ask for it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
PROGRAM = Path(sys.executable).with_name("dynostats")


def ask(shell: str, words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """Ask as a shell's script does: the line so far, and the word the cursor is in."""
    typed = words.split(" ")
    line = {"COMP_WORDS": words, "COMP_CWORD": str(len(typed) - 1)}
    if shell == "fish":
        line["COMP_CWORD"] = typed[-1]
    clean = {key: value for key, value in os.environ.items() if not key.startswith("DYNOSTATS_")}
    return subprocess.run(
        [PROGRAM],
        env=clean | line | {"_DYNOSTATS_COMPLETE": f"{shell}_complete"} | variables,
        capture_output=True,
        text=True,
        check=False,
    )


def offered(words: str, **variables: str) -> list[str]:
    """Return what bash is offered."""
    asked = ask("bash", words, **variables)
    assert asked.stderr == ""
    return [line.partition(",")[2] for line in asked.stdout.split()]


@pytest.fixture
def here(first_warehouse):
    """Where the names are."""
    return {"DYNOSTATS_WAREHOUSE": str(first_warehouse)}


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("dynostats rep", ["repeatability", "reproduce"]),
        ("dynostats compare --cand", ["--candidate"]),
        ("dynostats compare --baseline st", ["standard"]),
        ("dynostats compare --engine QB-18T --baseline ", ["standard", "short-hose"]),
        ("dynostats envelope --reference sh", ["short-hose"]),
        ("dynostats pulls --session may-1", ["may-16"]),
        ("dynostats monitor --channel charge", ["charge_temperature"]),
        ("dynostats query peak", ["peak_power"]),
        ("dynostats exclude P1", ["P1", "P10"]),
        ("dynostats --units ", ["si", "us"]),
    ],
)
def test_names_are_completed_from_the_warehouse(here, typed, expected):
    assert sorted(offered(typed, **here)) == sorted(expected)


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_the_other_shells_are_offered_the_same(here, shell):
    asked = ask(shell, "dynostats compare --baseline sho", **here)
    assert "short-hose" in asked.stdout
    assert asked.stderr == ""


def test_the_warehouse_named_on_the_line_is_asked(first_warehouse, tmp_path):
    nowhere = {"DYNOSTATS_WAREHOUSE": str(tmp_path / "none.duckdb")}
    line = f"dynostats --warehouse {first_warehouse} compare --baseline sta"
    assert offered(line, **nowhere) == ["standard"]


def test_without_a_warehouse_nothing_is_offered_and_nothing_is_said(tmp_path):
    damaged = tmp_path / "damaged.duckdb"
    damaged.write_bytes(b"this is no warehouse")
    for path in (tmp_path / "none.duckdb", damaged):
        line = "dynostats compare --baseline "
        assert offered(line, DYNOSTATS_WAREHOUSE=str(path)) == []
    assert not (tmp_path / "none.duckdb").exists()


def test_the_documented_lines_set_it_up():
    lines = re.findall(r"^.*_DYNOSTATS_COMPLETE=\w+_source dynostats.*$", README, re.MULTILINE)
    shells = [re.search(r"=(\w+)_source", line)[1] for line in lines]
    assert shells == ["bash", "zsh", "fish"]
    for shell, line in zip(shells, lines, strict=True):
        if shutil.which(shell) is None:
            continue  # bash is everywhere; the other two where they are installed
        path = f"{PROGRAM.parent}{os.pathsep}{os.environ['PATH']}"
        check = {"bash": "complete -p dynostats", "fish": "complete -c dynostats"}.get(
            shell, "true"
        )
        ran = subprocess.run(
            [shell, "-c", f"{line}\n{check}"],
            env=os.environ | {"PATH": path},
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 0, ran.stderr
