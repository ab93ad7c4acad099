"""A watch that is killed at any moment, and started again, ends where one left alone ends."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time

import polars as pl
import pytest
from cell_day import factor_of, log_of

from dynostats.warehouse import open_store

ORDER = ("old", "new", "new", "old")
KILLS = 4


def watching(warehouse, logs):
    """Start a watch of a folder in a process of its own; it ends when no file is waited for."""
    command = (sys.executable, "-m", "dynostats", "--warehouse", warehouse, "watch", logs)
    return subprocess.Popen(
        [*map(str, command), "--once", "--settle", "0.1"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def to_its_end(warehouse, logs):
    started = time.monotonic()
    process = watching(warehouse, logs)
    _, told = process.communicate(timeout=300)
    assert process.returncode == 0, told
    return time.monotonic() - started


def held(warehouse):
    """Return what a warehouse holds of the day: pulls, their curves, and the looks taken."""
    with open_store(warehouse) as store:
        pulls = store.query("pulls", {"session": "today"})
        labels = pulls.select("file", "sha256", "setup", "order", "state", "why").sort("file")
        names = dict(pulls.select("pull", "file").iter_rows())
        curves = store.query("study_curves", {"engine": "mill"}).filter(
            pl.col("pull").is_in([*names])
        )
        torque = curves.select(pl.col("pull").replace_strict(names), "rpm", "torque")
        looks = store.looks(1)
    return labels, torque.sort("pull", "rpm"), looks


@pytest.fixture
def day(shop, tmp_path):
    """Return a function that makes a fresh shop with a folder of the day's logs."""

    def make(name):
        folder = tmp_path / name
        logs = folder / "logs"
        logs.mkdir(parents=True)
        shutil.copyfile(shop[0], folder / "shop.duckdb")
        for number, setup in enumerate(ORDER, start=1):
            text = log_of(factor_of(setup), seed=50 + number)
            (logs / f"today-{number:02d}.csv").write_text(text, encoding="utf-8")
        return folder / "shop.duckdb", logs

    return make


def test_killed_at_random_moments_it_loses_and_doubles_nothing(day):
    alone = day("alone")
    lasts = to_its_end(*alone)
    rng = random.Random(11)  # noqa: S311 - moments of faults, no secrets
    killed = day("killed")
    struck = 0
    for _ in range(KILLS):
        process = watching(*killed)
        try:
            process.wait(timeout=rng.uniform(0.1, 1.0) * lasts)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            struck += 1
        process.communicate()
    assert struck > 0
    to_its_end(*killed)
    (*pulls, looks), (*undisturbed, one_look) = held(killed[0]), held(alone[0])
    for mine, theirs in zip(pulls, undisturbed, strict=True):
        assert mine.equals(theirs)
    # A start between two pulls may look earlier than one that finds all of them; never twice.
    assert looks["pairs"].is_unique().all()
    assert looks["pairs"].is_sorted()
    assert looks["pairs"][-1] == one_look["pairs"][-1] == len(ORDER) // 2
