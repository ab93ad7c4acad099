"""Invented pulls whose exponents are known: sessions, each pulled in the order A B B A."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

import dynostats as ds

# Of torque, per log of absolute manifold pressure and of absolute charge temperature; the effect of
# the setup beyond both, log.
PRESSURE, TEMPERATURE, SETUP = 1.0, -0.6, 0.02
PULL_SD, SESSION_SD = 0.003, 0.006
RPM = np.arange(2000.0, 5000.0, 100.0)


def make_rows(sessions: int = 6, *, seed: int = 1, order: str = "ABBA") -> pl.DataFrame:
    """Return one row a pull and engine speed, with torque and the logs the warehouse has."""
    rng = np.random.default_rng(seed)
    frames: list[pl.DataFrame] = []
    for session in range(sessions):
        level = rng.normal(0.0, SESSION_SD)
        for place, letter in enumerate(order):
            pressure = 150.0 * np.exp(rng.normal(0, 0.02)) * (1 + 0.1 * np.sin(RPM / 900.0))
            temperature = 318.0 * np.exp(rng.normal(0, 0.01)) + (RPM - 2000.0) / 300.0
            log_torque = (
                np.log(300.0)
                - ((RPM - 3800.0) / 6000.0) ** 2
                + PRESSURE * np.log(pressure / 150.0)
                + TEMPERATURE * np.log(temperature / 318.0)
                + SETUP * (letter == "B")
                + level
                + rng.normal(0.0, PULL_SD)
                + rng.normal(0.0, 0.001, len(RPM))
            )
            frames.append(
                pl.DataFrame(
                    {
                        "pull": f"P{len(frames) + 1}",
                        "session": f"day {session}",
                        "setup": "plain" if letter == "A" else "scoop",
                        "order": place + 1,
                        "rpm": RPM,
                        "torque": np.exp(log_torque),
                        "log_torque": log_torque,
                        "manifold_pressure": pressure,
                        "log_manifold_pressure": np.log(pressure),
                        "charge_temperature": temperature - 273.15,
                        "log_charge_temperature": np.log(temperature),
                    }
                )
            )
    return pl.concat(frames)


def make_shop(folder: Path, rows: pl.DataFrame) -> Path:
    """Write rows as log files with their sheet, take them in, and return the warehouse."""
    logs = folder / "logs"
    logs.mkdir(parents=True)
    sheet = ["file,engine,dyno,session,setup,order"]
    for (pull, session, setup, order), part in rows.group_by(
        ["pull", "session", "setup", "order"], maintain_order=True
    ):
        part.select(
            (pl.int_range(pl.len()) * 0.25).alias("time [s]"),
            pl.col("rpm").alias("engine_speed [rpm]"),
            pl.col("torque").alias("torque [N.m]"),
            pl.col("manifold_pressure").alias("manifold_pressure [kPa absolute]"),
            pl.col("charge_temperature").alias("charge_temperature [degC]"),
        ).write_csv(logs / f"{pull}.csv")
        sheet.append(f"{pull}.csv,mule,cell,{session},{setup},{order}")
    (logs / "sheet.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    with ds.open_warehouse(folder / "shop.duckdb") as warehouse:
        report = warehouse.ingest(logs)
        assert not report.refused, report.refused[:2]
        return warehouse.path
