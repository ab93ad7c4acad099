"""A tiny set of files that can be checked by hand: the pattern for a reader's own first folder."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.simulate.noise import CurveNoise, draw_pull_curves
from dynostats.units import convert

ENGINE, DYNO = "QB-18T", "cell-1"
EFFECT = 1.03
_RPM = np.arange(2500.0, 6501.0, 125.0)
_SEED = 18
_NOISE = CurveNoise(pull_sd_pct=0.3)
_RPM_PER_S = 500.0
_SESSION_FACTOR = {"may-02": 0.996, "may-09": 1.005, "may-16": 1.0}
_RUNS = {
    "may-02": ("standard",) * 3,
    "may-09": ("standard",) * 3,
    "may-16": ("standard", "short-hose", "short-hose", "standard"),
}
_AIR = {"may-02": (29.31, 73.0, 41), "may-09": (29.24, 76.0, 38), "may-16": (29.28, 74.0, 44)}


def write_first_comparison(folder: Path) -> tuple[Path, ...]:
    """Write ten logs in plain trade headers and units, and their sheet.

    "short-hose" makes exactly 1.03 times the torque of "standard": the errors of the pulls of one
    setup in one session cancel in the mean of their logs, up to the two decimals written.

    Args:
        folder: Where to; created if missing.

    Returns:
        The files written, the sheet last.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(_SEED)
    written: list[Path] = []
    rows: list[dict[str, object]] = []
    for session, run in _RUNS.items():
        errors = _cancelling_errors(run, rng)
        for order, (setup, error) in enumerate(zip(run, errors, strict=True), start=1):
            file = f"{session}_{order}.csv"
            _log(setup, session, error).write_csv(folder / file)
            written.append(folder / file)
            rows.append(_sheet_row(file, session, setup, order))
    pl.DataFrame(rows).write_csv(folder / "sheet.csv")
    return (*written, folder / "sheet.csv")


def _cancelling_errors(run: tuple[str, ...], rng: np.random.Generator) -> Floats:
    """Draw log errors, shape (pulls, n), that sum to zero within each setup of a session."""
    errors = draw_pull_curves(_NOISE, _RPM, (len(run),), rng)
    for setup in dict.fromkeys(run):
        same = np.array([name == setup for name in run])
        errors[same] -= errors[same].mean(axis=0)
    return errors


def _log(setup: str, session: str, log_error: Floats) -> pl.DataFrame:
    """One row every 125 rpm: torque peaks at 4,200 rpm, boost holds 9 psi above 3,500 rpm."""
    base_lbft = 214.0 * (1.0 - 0.30 * ((_RPM - 4200.0) / 4200.0) ** 2)
    factor = EFFECT if setup == "short-hose" else 1.0
    torque = np.round(base_lbft * factor * _SESSION_FACTOR[session] * np.exp(log_error), 2)
    power_hp = convert(convert(torque, "lbf.ft", "N.m") * _RPM * np.pi / 30_000.0, "kW", "hp")
    hunting_psi = 0.06 * np.sin(_RPM / 70.0)  # a boost that stands still looks like a dead sensor
    boost_psi = 9.0 * np.clip((_RPM - 1500.0) / 2000.0, 0.0, 1.0) + hunting_psi
    columns = {
        "Time (s)": ((_RPM - _RPM[0]) / _RPM_PER_S, 2),
        "RPM": (_RPM, 0),
        "Torque (lb-ft)": (torque, 2),
        "Power (hp)": (power_hp, 2),
        "Boost (psi)": (boost_psi, 2),
    }
    return pl.DataFrame(
        {
            name: [f"{value:.{decimals}f}" for value in values]
            for name, (values, decimals) in columns.items()
        }
    )


def _sheet_row(file: str, session: str, setup: str, order: int) -> dict[str, object]:
    pressure, temperature, humidity = _AIR[session]
    return {
        "file": file,
        "engine": ENGINE,
        "dyno": DYNO,
        "session": session,
        "setup": setup,
        "order": order,
        "ambient_pressure [inHg]": pressure,
        "ambient_temperature [degF]": temperature,
        "relative_humidity [%]": humidity,
    }
