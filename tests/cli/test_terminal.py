"""What a person sees in a terminal."""

from __future__ import annotations

import os
import pty
import re
import shutil
import subprocess
import sys

import pytest

COMMAND = [sys.executable, "-m", "dynostats"]
COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")


def test_a_small_complete_finding(on):
    ran = on(*COMPARE)
    lines = ran.out.splitlines()
    assert ran.status == 0
    assert lines[0] == "GAIN  short-hose against standard on QB-18T: power, 2500 to 6500 rpm"
    assert re.search(
        r"^  \+3\.00% \(\+\d\.\d\d% to \+\d\.\d\d%\), \+\d\.\d kW", ran.out, re.MULTILINE
    )
    assert "from 2 + 2 pulls" in ran.out
    assert "Noise: " in ran.out
    assert any("●●●" in line for line in lines)
    assert re.search(r"^  2500 to 6500  gain +\+3\.00%", ran.out, re.MULTILINE)
    assert "Next: " in ran.out


def test_excluded_pulls_are_counted_and_named(run, own_warehouse):
    shop = ("--warehouse", own_warehouse)
    run(*shop, "exclude", "P10", "--why", "hose came off")
    out = run(*shop, *COMPARE).out
    assert "from 1 + 2 pulls (1 excluded)" in out
    assert "Warning: " in out
    assert "hose came off" in out


def test_what_is_not_known_is_said_so(run, first_files, tmp_path):
    shop = ("--warehouse", tmp_path / "two.duckdb")
    pair = (first_files / "may-16_1.csv", first_files / "may-16_2.csv")
    run(*shop, "ingest", *pair, "--sheet", first_files / "sheet.csv")
    out = run(*shop, *COMPARE).out
    assert out.startswith("UNDECIDED")
    assert "(interval unknown)" in out
    assert "nan" not in out.lower().split()
    assert "None" not in out


def test_repeatability_says_what_its_limits_are_for(on):
    out = on("repeatability").out
    assert "pull to pull" in out
    assert "difference of two single pulls" in out
    assert re.search(r"^ *2500( +\d\.\d\d%){4}$", out, re.MULTILINE)


def test_ingest_says_what_each_column_became(run, first_files, tmp_path):
    out = run("--warehouse", tmp_path / "new.duckdb", "ingest", first_files).out
    assert out.startswith("Stored 10 pulls from 10 files; skipped 0; refused 0.")
    assert re.search(r"'RPM' +engine_speed \[rpm\]", out)
    assert re.search(r"'Torque \(lb-ft\)' +torque \[N\.m\]", out)


def test_pulls_into_a_pipe_keep_long_names(run, first_files, tmp_path):
    name = "a" * 150 + ".csv"
    shutil.copy(first_files / "may-16_1.csv", tmp_path / name)
    (tmp_path / "sheet.csv").write_text(
        f"file,engine,session,setup\n{name},E,S,stock\n", encoding="utf-8"
    )
    shop = ("--warehouse", tmp_path / "long.duckdb")
    assert run(*shop, "ingest", tmp_path / name).status == 0
    assert name in "".join(run(*shop, "query", "--sql", "select file from pulls").out.split())


@pytest.mark.parametrize("command", ["demo", "compare", "ingest"])
def test_help_shows_an_example(run, command):
    ran = run(command, "--help")
    assert ran.status == 0
    assert f"  dynostats {command}" in ran.out


def test_a_terminal_that_knows_only_ascii(first_warehouse):
    ran = subprocess.run(
        [*COMMAND, "--warehouse", str(first_warehouse), *COMPARE],
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
    )
    assert ran.stdout.startswith(b"GAIN")
    assert b"ooo" in ran.stdout
    assert ran.stdout.isascii()


def in_a_terminal(command: list[str], **variables: str) -> tuple[int, str]:
    """Run a command in a pseudo-terminal; return its status and all it showed."""
    leader, follower = pty.openpty()
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "100"} | variables
    process = subprocess.Popen(
        command, stdin=follower, stdout=follower, stderr=follower, env=environment
    )
    os.close(follower)
    shown = bytearray()
    try:
        while chunk := os.read(leader, 65536):
            shown += chunk
    except OSError:  # how Linux says that the other end has closed
        pass
    finally:
        os.close(leader)
    return process.wait(timeout=60), shown.decode("utf-8")


def test_ingest_shows_a_bar_with_the_rate(first_files, tmp_path):
    shop = str(tmp_path / "new.duckdb")
    status, shown = in_a_terminal([*COMMAND, "--warehouse", shop, "ingest", str(first_files)])
    assert status == 0
    assert "10/10" in shown
    assert "Stored 10 pulls" in shown


@pytest.mark.parametrize("command", [("verify",), COMPARE], ids=lambda words: words[0])
def test_long_work_shows_that_it_goes_on_and_leaves_nothing_behind(first_warehouse, command):
    words = {"verify": "reading everything", "compare": "comparing"}[command[0]]
    full = [*COMMAND, "--warehouse", str(first_warehouse), *command]
    status, shown = in_a_terminal(full, NO_COLOR="1")
    assert status == 0
    assert words in shown
    assert words not in shown[shown.rindex("\x1b[2K") :]  # the line is wiped before the answer
    piped = subprocess.run(full, capture_output=True, text=True, check=True)
    assert words not in piped.stdout + piped.stderr


def test_the_noise_is_drawn_and_a_plain_terminal_gets_plain_signs(first_warehouse):
    command = [*COMMAND, "--warehouse", str(first_warehouse), "repeatability"]
    for encoding, sign in (("utf-8", "\u25cf"), ("ascii", "o")):
        ran = subprocess.run(
            command,
            env=os.environ | {"PYTHONIOENCODING": encoding},
            capture_output=True,
            check=True,
        )
        out = ran.stdout.decode(encoding)
        assert f"{sign} estimate" in out
        assert f"{sign * 3}" in out
        assert "2500" in out


def test_colour_on_a_terminal_unless_no_color_is_set(first_warehouse):
    command = [*COMMAND, "--warehouse", str(first_warehouse), *COMPARE]
    coloured = re.compile(r"\x1b\[[0-9;]*3[0-7]m")
    assert coloured.search(in_a_terminal(command)[1])
    assert not coloured.search(in_a_terminal(command, NO_COLOR="1")[1])


def test_a_narrow_terminal_breaks_no_name(first_warehouse):
    command = [*COMMAND, "--warehouse", str(first_warehouse), "pulls"]
    status, shown = in_a_terminal(command, COLUMNS="40", NO_COLOR="1", TERM="dumb")
    assert status == 0
    for word in ("may-16_4.csv", "standard", "short-hose", "accepted", "rpm_high"):
        assert word in shown


def test_a_shop_without_a_report_is_wrong_usage(on):
    ran = on(*COMPARE, "--shop", "our_shop.toml")
    assert ran.status == 2
    assert "give --report FILE" in ran.err
