"""A small shop with a past, a declared question, and logs to drop into the watched folder."""

from __future__ import annotations

import os

import numpy as np
import polars as pl

import dynostats as ds

RPM = np.arange(2500.0, 6501.0, 125.0)
ENGINE, DYNO, BASELINE, CANDIDATE = "mill", "cell", "old", "new"
NOISE = 0.003


def log_of(factor, *, seed, noise=NOISE, oil_c=92.0):
    """Return one pull's log as text: time, speed, torque, oil temperature."""
    rng = np.random.default_rng(seed)
    bends = np.interp(RPM, RPM[::8], rng.normal(size=len(RPM[::8])))
    error = noise * (0.7 * rng.normal() + 0.7 * bends)
    torque = 290.0 * (1.0 - 0.3 * ((RPM - 4200.0) / 4200.0) ** 2) * factor * np.exp(error)
    return pl.DataFrame(
        {
            "time [s]": [f"{value:.3f}" for value in (RPM - RPM[0]) / 500.0],
            "engine_speed [rpm]": [f"{value:.0f}" for value in RPM],
            "torque [N.m]": [f"{value:.3f}" for value in torque],
            "oil_temperature [degC]": [f"{oil_c + at / 100.0:.2f}" for at in range(len(RPM))],
        }
    ).write_csv()


def write_history(folder, *, sessions=6):
    """Write past days of the baseline, with their sheet."""
    folder.mkdir(parents=True)
    rows = ["file,engine,dyno,session,setup,order"]
    for session in range(sessions):
        for order in range(1, 5):
            name = f"past{session}-{order}.csv"
            text = log_of(1.0 + 0.002 * session, seed=10_000 + 100 * session + order)
            (folder / name).write_text(text, encoding="utf-8")
            rows.append(f"{name},{ENGINE},{DYNO},past{session},{BASELINE},{order}")
    (folder / "sheet.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def make_shop(folder, *, effect=0.56, looks=None, sessions=1):
    """Return a warehouse with a past and a declared question, its folder, and the plan."""
    write_history(folder / "history")
    path = folder / "shop.duckdb"
    with ds.open_warehouse(path) as warehouse:
        warehouse.ingest(folder / "history")
        plan = warehouse.plan(
            effect=effect,
            looks=looks,
            sessions=sessions,
            seed=4,
            engine=ENGINE,
            dyno=DYNO,
            baseline=BASELINE,
            candidate=CANDIDATE,
            session="today",
        )
        warehouse.declare(plan, who="Ada")
    logs = folder / "logs"
    logs.mkdir()
    return path, logs, plan


class Cell:
    """A watch with a clock of its own."""

    def __init__(self, warehouse, logs, *, settle_s=1.0) -> None:
        """Start the watch."""
        self.warehouse, self.logs = warehouse, logs
        self.watch = ds.open_warehouse(warehouse).watch(logs, settle_s=settle_s)
        self.now = 0.0
        self.events = []

    def wait(self, seconds=2.0, times=3):
        """Let time pass and return the last scene."""
        for _ in range(times):
            self.now += seconds
            scene = self.watch.step(self.now)
            self.events += scene.events
        return scene

    def drop(self, name, text):
        """Let a whole log land, and return the scene after it was taken in."""
        (self.logs / name).write_text(text, encoding="utf-8")
        return self.wait()


def factor_of(setup, gain=0.03):
    """Return the torque of a setup over the baseline's."""
    return 1.0 + gain if setup == CANDIDATE else 1.0


def touch_later(path, seconds=5):
    """Move a file's time of change, as a copy that takes its time does."""
    status = path.stat()
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns + int(seconds * 1e9)))
