"""Channels beside torque that a correction or an inertia needs, laid out like the torque curves."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Floats

CHANNELS = ("time", "fuel_flow", "compressor_out_pressure", "manifold_pressure")


def lay_channel(channels: pl.DataFrame, curves: CurveSet, name: str) -> Floats:
    """Lay one channel out as an array.

    Args:
        channels: One row a pull and grid speed: pull, rpm and channels.
        curves: The pulls and speeds wanted.
        name: The channel; all unknown where the frame does not have it.

    Returns:
        Shape (pulls, speeds), NaN where unknown.
    """
    laid = np.full((len(curves), len(curves.rpm)), np.nan)
    if name not in channels.columns:
        return laid
    places = pl.DataFrame(
        {"pull": curves.pull, "row": np.arange(len(curves))},
        schema={"pull": pl.String, "row": pl.Int64},
    )
    known = channels.select("pull", "rpm", name).drop_nulls()
    located = known.join(places, on="pull", how="inner").filter(
        pl.col("rpm").is_in(curves.rpm.tolist())
    )
    columns = np.searchsorted(curves.rpm, located["rpm"].to_numpy())
    laid[located["row"].to_numpy(), columns] = located[name].to_numpy()
    return laid
