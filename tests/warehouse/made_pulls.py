"""Small pulls made by hand, for the tests of the warehouse."""

from __future__ import annotations

import hashlib
import math

import polars as pl

from dynostats.ingest import ChannelReading, Finding
from dynostats.warehouse import Labels, NewPull, Source

ROWS = 40


def make_pull(
    file: str = "run1.csv",
    *,
    torque: float = 300.0,
    extra: dict[str, list[object]] | None = None,
    part: int = 1,
    void: str | None = None,
    **labels: object,
) -> NewPull:
    """Return a pull of 40 samples from 2000 to 3950 rpm; other torques give other bytes."""
    samples = pl.DataFrame(
        {
            "time": [0.05 * i for i in range(ROWS)],
            "engine_speed": [2000.0 + 50.0 * i for i in range(ROWS)],
            "torque": [torque + math.sin(i) for i in range(ROWS)],
            "lambda": [None if i == 7 else 0.85 for i in range(ROWS)],
            **(extra or {}),
        }
    )
    data = samples.write_csv().encode()
    curve = samples.select(pl.col("engine_speed").alias("rpm"), "torque", "lambda")
    given = {"engine": "mule", "session": "monday", "setup": "base"} | labels
    return NewPull(
        source=Source(file=file, sha256=hashlib.sha256(data).hexdigest(), data=data),
        labels=Labels(**given),
        samples=samples,
        curve=None if void else curve,
        part=part,
        readings=[
            ChannelReading(
                source=f"{name} col",
                channel=name,
                unit="V" if name in (extra or {}) else "",
                source_unit="",
                how="by name",
                known=name not in (extra or {}),
            )
            for name in samples.columns
        ],
        metadata={"Operator": "A. Person"},
        findings=[Finding(check="clock", severity="note", message="one gap")],
        void=void,
    )
