"""Pulls with channels beside torque whose truth is known, array by array."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.question import Question
from dynostats.analysis.side_channels import read_side_channels

RPM = np.arange(3000.0, 6001.0, 500.0)
QUESTION = Question(engine="mill", baseline="A", candidate="B")
NAMES = (
    "manifold_pressure",
    "charge_temperature",
    "compressor_out_pressure",
    "compressor_out_temperature",
    "cooler_medium_temperature",
    "air_flow",
    "fuel_flow",
    "lambda",
)
FLOW = np.linspace(250.0, 600.0, len(RPM))


def pulls_of(*runs):
    """Return pulls as `pulls_of("ABBA", "AAA")`, each 300 N.m at every speed."""
    setup = [name for run in runs for name in run]
    count = len(setup)
    return CurveSet(
        rpm=RPM,
        log_torque=np.full((count, len(RPM)), np.log(300.0)),
        pull=[f"P{at}" for at in range(count)],
        engine=["mill"] * count,
        session=[f"s{at}" for at, run in enumerate(runs) for _ in run],
        setup=setup,
        order=np.array([1.0 + at for run in runs for at in range(len(run))]),
    )


def beside(pulls, *, own=None, drop=(), **channels):
    """Return channels of some pulls as an analysis reads them.

    Args:
        pulls: The pulls.
        own: Names of the study's; None for all.
        drop: Pairs of setup and channel that was not logged with it.
        channels: By name, anything that broadcasts to (pulls, speeds).
    """
    shape = pulls.log_torque.shape
    laid = {name: np.array(np.broadcast_to(v, shape), dtype=float) for name, v in channels.items()}
    for setup, name in drop:
        laid[name][[one == setup for one in pulls.setup]] = np.nan
    frame = pl.DataFrame(
        {"pull": np.repeat(pulls.pull, shape[1]), "rpm": np.tile(RPM, shape[0])}
        | {name: read.ravel() for name, read in laid.items()}
    ).fill_nan(None)
    ambient = np.full(len(pulls), 99.0)
    return read_side_channels(pulls, own or pulls.pull, frame, ambient, NAMES, question=QUESTION)


def column(values):
    """Return one value a pull as a column."""
    return np.array(values, dtype=float)[:, None]
