"""The demo shop as files: one log a pull, a sheet, and what is true."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from dynostats.simulate.day import LabelledPull
from dynostats.simulate.demo import DemoShop
from dynostats.simulate.scenario import SETUPS

_UNITS = {
    "time": "s",
    "engine_speed": "rpm",
    "torque": "N.m",
    "power": "kW",
    "manifold_pressure": "kPa abs",
    "compressor_out_pressure": "kPa abs",
    "compressor_out_temperature": "degC",
    "charge_temperature": "degC",
    "cooler_medium_temperature": "degC",
    "lambda": "1",
    "exhaust_temperature": "degC",
    "fuel_flow": "kg/h",
    "fuel_pressure": "kPa",
    "air_flow": "kg/h",
    "oil_pressure": "kPa",
    "oil_temperature": "degC",
    "coolant_temperature": "degC",
    "throttle": "%",
    "ignition_advance": "deg",
}
_DECIMALS = {
    "time": 2,
    "engine_speed": 1,
    "torque": 2,
    "power": 3,
    "lambda": 4,
    "fuel_flow": 2,
    "exhaust_temperature": 0,
}
_SEMICOLON_CELLS = ("cell-2",)


def write_demo(shop: DemoShop, folder: Path) -> tuple[Path, ...]:
    """Write the shop's logs, `sheet.csv` and `truth.json` into a folder, creating it.

    Logs of cell-2 are semicolon files with decimal commas, the others comma files: two cells,
    two loggers. The same shop gives the same bytes.

    Args:
        shop: The shop.
        folder: Where to; files of the same names are replaced.

    Returns:
        The files written: the logs in order of time, then the sheet, then the truth.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = [write_log(pull, folder) for pull in shop.pulls]
    written.append(_write_sheet(shop, folder))
    written.append(_write_truth(shop, folder))
    return tuple(written)


def write_log(pull: LabelledPull, folder: Path, *, each_lambda: bool = False) -> Path:
    """Write the log of one pull into an existing folder, in the style of its cell.

    Args:
        pull: The pull.
        folder: The folder.
        each_lambda: Whether lambda is logged cylinder by cylinder; the demo's loggers do not.
    """
    path = folder / pull.file
    columns = [
        _as_text(pull.samples[name], name)
        for name in pull.samples.columns
        if each_lambda or not name.startswith("lambda_")
    ]
    log = pl.DataFrame(columns)
    if pull.dyno in _SEMICOLON_CELLS:
        log = log.with_columns(pl.all().str.replace(".", ",", literal=True))
        log.write_csv(path, separator=";")
    else:
        log.write_csv(path)
    return path


def _as_text(values: pl.Series, name: str) -> pl.Series:
    family = name.rstrip("0123456789").rstrip("_")
    decimals = _DECIMALS.get(family, 1)
    texts = [f"{value:.{decimals}f}" for value in values]
    return pl.Series(f"{name} [{_UNITS[family]}]", texts)


def _write_sheet(shop: DemoShop, folder: Path) -> Path:
    path = folder / "sheet.csv"
    pl.DataFrame([_sheet_row(pull) for pull in shop.pulls]).write_csv(path)
    return path


def _sheet_row(pull: LabelledPull) -> dict[str, object]:
    fitted = SETUPS[pull.setup]
    return {
        "file": pull.file,
        "engine": pull.engine,
        "dyno": pull.dyno,
        "session": pull.session,
        "setup": pull.setup,
        "order": pull.order,
        "started": pull.started.isoformat(timespec="minutes"),
        "ambient_pressure [kPa]": pull.air.pressure_kpa,
        "ambient_temperature [degC]": pull.air.temperature_c,
        "relative_humidity [%]": round(pull.air.relative_humidity_pct),
        "relative_to": fitted.relative_to,
        "changed": fitted.changed,
        "notes": pull.notes,
    }


def _write_truth(shop: DemoShop, folder: Path) -> Path:
    path = folder / "truth.json"
    path.write_text(json.dumps(_truth(shop), indent=1) + "\n", encoding="utf-8")
    return path


def _truth(shop: DemoShop) -> dict[str, object]:
    questions = zip(shop.questions, shop.truths, strict=True)
    return {
        "shop": shop.name,
        "seed": shop.seed,
        "questions": [
            {
                "name": question.name,
                "session": question.session,
                "honest_verdict": question.honest_verdict,
            }
            | truth.to_dict()
            for question, truth in questions
        ],
        "noise": [noise.to_dict() for noise in shop.noises],
        "setups": {name: setup.changed for name, setup in SETUPS.items()},
        "wrong_labels": [
            {"file": pull.file, "sheet": pull.setup, "fitted": pull.fitted}
            for pull in shop.pulls
            if pull.setup != pull.fitted
        ],
        "faults": [
            {"file": pull.file, "kind": pull.fault.kind, "channel": pull.fault.channel}
            for pull in shop.pulls
            if pull.fault is not None
        ],
        "void": [{"file": pull.file, "why": pull.notes} for pull in shop.void_pulls()],
    }
