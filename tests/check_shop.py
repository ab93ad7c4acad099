"""A small shop of files with faults, for the tests of `check`: each pull is written as a log."""

from __future__ import annotations

import numpy as np
import polars as pl

import dynostats as ds

SPEED = np.linspace(2000.0, 6000.0, 161)


def write_pull(folder, name, *, session, setup, seed, change=None):
    """Write a log of 161 rows and its line of the sheet."""
    rng = np.random.default_rng(seed)
    gain = 1.03 if setup == "B" else 1.0
    smooth = np.interp(SPEED, SPEED[::40], rng.standard_normal(5))
    torque = (300.0 + 40.0 * np.sin(SPEED / 1500.0)) * gain * (1.0 + 0.002 * smooth)
    log = pl.DataFrame(
        {
            "time [s]": np.arange(161) / 20.0,
            "engine speed [rpm]": SPEED,
            "torque [N.m]": torque,
            "charge temperature [degC]": 35.0 + SPEED / 400.0 + 0.1 * rng.standard_normal(161),
            "fuel pressure [kPa]": 300.0 + rng.standard_normal(161),
        }
    )
    log = log if change is None else change(log)
    log.write_csv(folder / name, float_precision=3)
    sheet = folder / "sheet.csv"
    if not sheet.exists():
        sheet.write_text("file,engine,dyno,session,setup,order\n", encoding="utf-8")
    with sheet.open("a", encoding="utf-8") as lines:
        lines.write(f"{name},mill,cell,{session},{setup},{seed % 10}\n")


def collapse(log):
    fallen = np.where(np.arange(161) < 90, 1.0, 0.4)
    return log.with_columns(pl.col("torque [N.m]") * pl.Series(fallen))


def end_early(log):
    return log.head(80)


def starve(log):
    fall = 1.0 - 0.15 * np.clip((SPEED - 4500.0) / 1000.0, 0.0, 1.0)
    return log.with_columns(pl.col("fuel pressure [kPa]") * pl.Series(fall))


def stick(log):
    stuck = np.where(np.arange(161) < 60, log["charge temperature [degC]"], 44.0)
    return log.with_columns(pl.Series("charge temperature [degC]", stuck))


def make_shop(folder, faults, *, runs=("AAA", "ABBA", "AAA", "ABABAB")):
    """Write sessions, a letter a pull, with a fault at (session, order); return the folder."""
    files = folder / "pulls"
    files.mkdir()
    for session, run in enumerate(runs):
        for order, setup in enumerate(run, start=1):
            write_pull(
                files,
                f"s{session}-{order}.csv",
                session=f"s{session}",
                setup=setup,
                seed=10 * session + order,
                change=faults.get((session, order)),
            )
    return files


def shop_with(folder, faults, **options):
    """Return a warehouse of such a shop."""
    files = make_shop(folder, faults, **options)
    warehouse = ds.open_warehouse(folder / "shop.duckdb")
    warehouse.ingest(files)
    return warehouse


def row_of(warehouse, file):
    return warehouse.pulls().frame.row(by_predicate=pl.col("file") == file, named=True)


def of(result, pull):
    return [(one.check, one.severity) for one in result.findings if one.pull == pull]
