"""A comparison as small as a word: the curve of the difference and its band, without axes."""

from __future__ import annotations

from collections.abc import Iterable

import altair as alt
import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import rpm_axis
from dynostats.charts.theme import PALETTE, layered

_WIDTH = 130
_HEIGHT = 34
_POINTS = 30


def spark_scale(results: Iterable[Comparison]) -> float:
    """Return the largest difference of any curve, percent: the one scale of all small pictures."""
    peaks = [float(np.abs(one.curve["effect_pct"].to_numpy()).max()) for one in results]
    return max([*peaks, 1.0])


def spark_chart(result: Comparison, scale_pct: float) -> alt.LayerChart:
    """Return the difference over engine speed as a small picture.

    Args:
        result: The comparison.
        scale_pct: Difference at the upper and lower edge, percent; a band beyond it is cut.
    """
    step = max(1, result.curve.height // _POINTS)
    values = pl.col("effect_pct", "low_pct", "high_pct").clip(-scale_pct, scale_pct)
    curve = result.curve.gather_every(step).select("rpm", values)
    x = rpm_axis(result).axis(None)
    scale = alt.Scale(domain=[-scale_pct, scale_pct], nice=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=scale)

    zero = alt.Chart(pl.DataFrame({"at": [0.0]})).mark_rule(color=PALETTE["axis"]).encode(y=y("at"))
    line = alt.Chart(curve).mark_line(color=PALETTE["candidate"], strokeWidth=1.6)
    layers = [zero, line.encode(x=x, y=y("effect_pct"))]
    band = curve.drop_nulls(["low_pct", "high_pct"])
    if band.height:
        area = alt.Chart(band).mark_area(color=PALETTE["band"], opacity=0.35)
        layers.insert(0, area.encode(x=x, y=y("low_pct"), y2="high_pct:Q"))
    return layered(layers, width=_WIDTH, height=_HEIGHT)
