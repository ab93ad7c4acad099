"""The README's commands are run as they stand there, in order, in one shell."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from dynostats.report import load_shop

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
    channels, _ = blocks("toml")
    (folder / "our_logger.toml").write_text(channels, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def tutorial(clone):
    """What the tutorial's commands say, run one after the other."""
    steps = [block for block in blocks("sh") if not block.startswith("python3 -m venv")]
    assert len(steps) >= 5
    return in_a_new_shell("".join(steps), clone)


def test_the_shop_file_shown_is_read(tmp_path):
    _, shop = blocks("toml")
    (tmp_path / "our_shop.toml").write_text(shop, encoding="utf-8")
    for name in ("logo.png", "hose.jpg"):
        Image.new("RGB", (8, 8)).save(tmp_path / name)
    read = load_shop(tmp_path / "our_shop.toml")
    assert read.photographs[0].alt.startswith("Intake hose")
    assert read.logo is not None


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


def test_the_python_example_runs(tutorial, clone):
    assert tutorial.returncode == 0
    (example,) = blocks("python")
    ran = subprocess.run(
        [sys.executable, "-c", example], cwd=clone, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("gain ")
    assert "<svg" in (clone / "effect.svg").read_text("utf-8")


def test_the_answer_shown_is_the_answer_given(tutorial):
    """The interval may move when the statistics improve; question, verdict and effect may not."""
    shown = next(block for block in blocks("text") if block.startswith("GAIN"))
    said = tutorial.stdout[tutorial.stdout.index("GAIN") :]
    for line in (
        r"^GAIN .*",
        r"^  \+3\.00%",
        r"^  2500 to 6500  gain +\+3\.00%",
        r"^Next: Two more",
    ):
        first, second = (re.search(line, text, re.MULTILINE)[0] for text in (shown, said))
        assert first == second


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
