"""The README's commands are run as they stand there, in order, in one shell."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")


def blocks(kind: str) -> list[str]:
    """Return the fenced blocks of one kind, in order."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


def in_a_new_shell(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a script as a newcomer's shell would, but stop at the first command that fails."""
    clean = {key: value for key, value in os.environ.items() if key != "DYNOSTATS_WAREHOUSE"}
    return subprocess.run(
        ["bash", "-e"],
        input=script,
        cwd=folder,
        env=clean,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def clone(tmp_path_factory):
    """A folder that looks like a clone in which the first command has been run."""
    folder = tmp_path_factory.mktemp("clone")
    (folder / "datasets").symlink_to(ROOT / "datasets")
    (folder / ".venv").symlink_to(sys.prefix)
    channels, shop = blocks("toml")
    (folder / "our_logger.toml").write_text(channels, encoding="utf-8")
    (folder / "our_shop.toml").write_text(shop, encoding="utf-8")
    for name in ("logo.png", "hose.jpg"):
        Image.new("RGB", (8, 8)).save(folder / name)
    return folder


@pytest.fixture(scope="module")
def tutorial(clone):
    """What the tutorial's commands say, run one after the other."""
    steps = [block for block in blocks("sh") if not block.startswith("python3 -m venv")]
    assert len(steps) >= 5
    return in_a_new_shell("".join(steps), clone)


def test_the_two_commands_are_one_line_each():
    setups = [block for block in blocks("sh") if block.startswith("python3 -m venv")]
    assert len(setups) == 2
    assert all(block.count("\n") == 1 for block in setups)
    first, second = (block.strip().split(" && ") for block in setups)
    assert first[:-1] == second[:-1]
    assert (first[-1], second[-1]) == (".venv/bin/dynostats demo", ".venv/bin/pytest")


def test_the_tutorial_runs(tutorial):
    assert tutorial.returncode == 0, tutorial.stdout + tutorial.stderr
    assert "Traceback" not in tutorial.stderr


def test_the_tutorial_finds_what_was_put_in(tutorial, clone):
    assert "GAIN  short-hose against standard" in tutorial.stdout
    assert "short-hose" in (clone / "finding.html").read_text("utf-8")


def test_the_reports_and_pictures_are_written(tutorial, clone):
    assert tutorial.returncode == 0
    page = (clone / "finding.html").read_text("utf-8")
    assert "Example Workshop" in page
    assert "Intake hose between air filter and throttle, two clamps" in page
    assert (clone / "finding.pdf").read_bytes().startswith(b"%PDF-")
    assert "short-hose" in (clone / "finding.md").read_text("utf-8")
    assert (clone / "pictures" / "difference.png").exists()
    assert (clone / "run_sheet.html").exists()


def test_the_python_examples_run(tutorial, clone):
    assert tutorial.returncode == 0
    example = "\n".join(blocks("python"))
    ran = subprocess.run(
        [sys.executable, "-c", example], cwd=clone, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("gain ")
    assert "<svg" in (clone / "effect.svg").read_text("utf-8")


def test_the_answer_shown_is_the_answer_given(tutorial):
    """Word for word; another computer's arithmetic may round the last digit otherwise."""
    shown = next(block for block in blocks("text") if block.startswith("GAIN"))
    answer, told = shown.strip().rsplit("\n", maxsplit=1)
    assert_same_words(answer, tutorial.stdout[tutorial.stdout.index("GAIN") :])
    assert told == "Report: finding.html"
    assert told in tutorial.stderr


def assert_same_words(shown: str, said: str) -> None:
    """Check that an output begins with the words shown, wherever its lines were broken."""
    for one, other in zip(shown.split(), said.split(), strict=False):
        first, second = as_number(one), as_number(other)
        if first is None or second is None:
            assert one == other
        else:
            assert first == pytest.approx(second, rel=2e-3, abs=0.011)
    assert len(said.split()) >= len(shown.split())


def as_number(word: str) -> float | None:
    match = re.fullmatch(r"\(?([+-]?\d+(?:\.\d+)?)[%),;]*", word)
    return None if match is None else float(match[1])


def test_the_refusal_shown_is_the_refusal_given(clone):
    """The log shown above it, without its engine speed."""
    shown = next(block for block in blocks("text") if block.startswith("Refused run7.csv"))
    columns = [line.split(",") for line in blocks("csv")[0].splitlines()]
    without = "\n".join(",".join([row[0], row[2], row[3]]) for row in columns)
    (clone / "run7.csv").write_text(without + "\n", encoding="utf-8")
    ran = in_a_new_shell(
        ". .venv/bin/activate; dynostats --warehouse refused.duckdb ingest run7.csv", clone
    )
    assert ran.returncode == 1
    assert shown.split() == ran.stderr.split()[-len(shown.split()) :]


def test_the_columns_that_relate_setups_are_stored(clone):
    """The sheet shown, for a log of the data set under the name it gives."""
    (sheet,) = (block for block in blocks("text") if block.startswith("file,engine,session"))
    folder = clone / "related"
    folder.mkdir()
    (folder / "sheet.csv").write_text(sheet, encoding="utf-8")
    (name,) = (line.split(",")[0] for line in sheet.splitlines()[1:])
    log = (ROOT / "datasets" / "first_comparison" / "may-02_1.csv").read_bytes()
    (folder / name).write_bytes(log)
    ran = in_a_new_shell(
        ". .venv/bin/activate; dynostats --warehouse related.duckdb ingest related\n"
        "dynostats --warehouse related.duckdb query setups",
        clone,
    )
    assert ran.returncode == 0, ran.stderr
    assert "deep-core" in ran.stdout


def test_the_lines_for_completion_work(clone):
    """Bash takes its line; for the other shells the script is there, they may not be installed."""
    (lines,) = (block for block in blocks("text") if "_COMPLETE" in block)
    bash, zsh, fish = lines.splitlines()
    ran = in_a_new_shell(f". .venv/bin/activate\n{bash}\ncomplete -p dynostats\n", clone)
    assert ran.returncode == 0, ran.stderr
    assert "dynostats" in ran.stdout
    for line in (zsh, fish):
        (asked,) = re.findall(r"_DYNOSTATS_COMPLETE=\w+ dynostats", line)
        ran = in_a_new_shell(f". .venv/bin/activate\n{asked}\n", clone)
        assert "dynostats" in ran.stdout, line


def test_every_text_block_is_held_against_something():
    """A new one needs a test above: the answer, the refusal, the sheet, the completion."""
    begins = {"GAIN": 0, "Refused": 0, "file,engine": 0, "eval": 0}
    for block in blocks("text"):
        (known,) = [begin for begin in begins if block.startswith(begin)]
        begins[known] += 1
    assert set(begins.values()) == {1}


def test_the_files_shown_are_those_of_the_data_set():
    folder = ROOT / "datasets" / "first_comparison"
    log, sheet = blocks("csv")
    assert (folder / "may-02_1.csv").read_text("utf-8").startswith(log)
    lines = (folder / "sheet.csv").read_text("utf-8").splitlines()
    assert set(sheet.splitlines()) <= set(lines)


def test_the_measured_limits_are_those_of_the_reports():
    limits = README[README.index("| question | measured | in |") :].split("\n\n")[0]
    rows = [line.split(" | ") for line in limits.splitlines()[2:]]
    assert len(rows) >= 9
    for _, measured, report in rows:
        (path,) = re.findall(r"\]\((reports/\w+\.md)\)", report)
        said = (ROOT / path).read_text("utf-8")
        figures = re.findall(r"\d+\.\d+%|\b0\.\d\d\b|\d \+ \d, \d past", measured)
        assert figures, measured
        assert [figure for figure in figures if figure not in said] == [], measured


def test_pictures_and_links_lead_somewhere():
    targets = re.findall(r"\]\(([^)#]+)\)", README)
    assert len(targets) >= 3
    assert [target for target in targets if not (ROOT / target).exists()] == []
