"""Pulls with channels whose numbers are known, for the tests of the named queries."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import polars as pl
from made_pulls import ROWS, make_pull

from dynostats.warehouse import NewPull

RPM = [2000.0 + 50.0 * i for i in range(ROWS)]
HOT = {"ambient_pressure_kpa": 98.0, "ambient_temperature_c": 30.0, "ambient_humidity_pct": 40.0}
COLD = {"ambient_pressure_kpa": 101.0, "ambient_temperature_c": 10.0, "ambient_humidity_pct": None}


def known_pull(
    file: str,
    *,
    level: float,
    start: datetime | None = None,
    seconds: float = 5.0,
    channels: dict[str, list[float | None]] | None = None,
    first: int = 0,
    **labels: object,
) -> NewPull:
    """Return a pull of constant torque from 2000 rpm (or the `first` grid speed after) to 3950."""
    pull = make_pull(file, torque=level, started=start, **labels)
    curve = pl.DataFrame(
        {
            "rpm": RPM,
            "torque": [level] * ROWS,
            "time": [seconds * i / (ROWS - 1) for i in range(ROWS)],
            **(channels or {}),
        }
    )
    return replace(pull, curve=curve[first:])


def with_cooler(loss: float, start_degc: float) -> dict[str, list[float | None]]:
    """Return pressures on both sides of a cooler, and a charge that is heated by 10 K."""
    return {
        "compressor_out_pressure": [200.0] * ROWS,
        "manifold_pressure": [200.0 - loss] * ROWS,
        "charge_temperature": [start_degc + 10.0 * i / (ROWS - 1) for i in range(ROWS)],
    }


def with_cylinders(lean: float) -> dict[str, list[float | None]]:
    """Return four cylinders, the third leaner from 3000 rpm on, the fourth not logged at first."""
    even: list[float | None] = [0.80 + 0.0001 * i for i in range(ROWS)]
    return {
        "lambda_1": even,
        "lambda_2": even,
        "lambda_3": [0.80 + 0.0001 * i + (lean if RPM[i] >= 3000.0 else 0.0) for i in range(ROWS)],
        "lambda_4": [None if i < 10 else 0.80 + 0.0001 * i for i in range(ROWS)],
    }


def shop() -> list[NewPull]:
    """Return eleven pulls: two engines, two cells, a void one, two sessions of the reference."""

    def at(day: int, minute: int, year: int = 2025) -> datetime:
        return datetime(year, 3, day, 9, minute)  # noqa: DTZ001 - the shop's clock

    one = {"engine": "QB-1", "dyno": "c1"} | HOT
    two = {"engine": "QB-1", "dyno": "c1", "session": "tue"} | COLD
    cold, deep = with_cooler(6.0, 30.0), with_cooler(9.0, 33.0)
    return [
        known_pull("1.csv", level=100.0, start=at(3, 0), order=1, channels=cold, **one),
        known_pull("2.csv", level=102.0, start=at(3, 12), order=2, channels=cold, **one),
        known_pull("3.csv", level=110.0, start=at(3, 24), order=3, setup="deep", channels=deep,
                   **one),
        known_pull("4.csv", level=99.0, start=at(3, 36), order=4, seconds=4.0, **one),
        known_pull("5.csv", level=104.0, start=at(4, 0), order=1, channels=with_cylinders(0.05),
                   **two),
        known_pull("6.csv", level=108.0, start=at(4, 10), order=2, first=4, **two),
        known_pull("7.csv", level=50.0, order=1, engine="QB-2", dyno=None, session="s1"),
        known_pull("8.csv", level=51.0, order=2, engine="QB-2", dyno=None, session="s1"),
        known_pull("9.csv", level=60.0, start=at(5, 0, 2024), order=1, engine="other", dyno="c2",
                   channels={"oil_pressure": [300.0 + min(i, 20) for i in range(ROWS)]}),
        make_pull("10.csv", torque=1.0, engine="QB-1", dyno="c1", void="no rise"),
    ]  # fmt: skip
