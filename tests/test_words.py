"""A command that is spelled out for a reader: a real shell must take it as it was meant."""

from __future__ import annotations

import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from dynostats.words import command_line


def as_the_shell_takes_it(command):
    """Return the words a POSIX shell gives to the program; the shell is the authority here."""
    program, _, rest = command.partition(" ")
    assert program == "dynostats"
    script = f"printf '%s\\0' {rest}"
    told = subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=True)
    return told.stdout.split("\0")[:-1]


@pytest.mark.parametrize("name", ["as built", '5" hose', "o'clock", "$HOME", "a;b", "überdruck*"])
def test_a_shell_reads_back_every_name(name):
    command = command_line("envelope", {"reference": name}, Path("logs") / name)
    assert as_the_shell_takes_it(command) == ["envelope", "--reference", name, f"logs/{name}"]


def test_a_file_that_looks_like_an_option_is_none():
    command = command_line("envelope", {"reference": "standard"}, Path("./-1.csv"))
    assert as_the_shell_takes_it(command)[-2:] == ["--", "-1.csv"]


def test_what_was_not_given_is_left_out_and_what_was_given_twice_stands_twice():
    given = {"engine": None, "channel": ("lambda", "oil_pressure"), "setup": ()}
    words = as_the_shell_takes_it(command_line("monitor", given))
    assert words == ["monitor", "--channel", "lambda", "--channel", "oil_pressure"]


@pytest.mark.parametrize("band", [(3000.0, 6500.5), [3000, 6500.5]])
def test_a_band_and_a_time_are_spelled_as_the_options_take_them(band):
    given = {"band": band, "as_of": datetime(2025, 3, 14, 16)}  # noqa: DTZ001 - local, as typed
    words = as_the_shell_takes_it(command_line("compare", given))
    assert words == ["compare", "--band", "3000:6500.5", "--as-of", "2025-03-14 16:00:00"]
