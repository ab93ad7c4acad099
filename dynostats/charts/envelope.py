"""New logs over the band of the accepted pulls, one channel a picture."""

from __future__ import annotations

from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.envelope import ChannelRange, Envelope
from dynostats.charts.axis import hover_strips
from dynostats.charts.theme import PALETTE, layered

_HEIGHT: Final = 220
_TITLES: Final = {"1": "lambda", "degC": "°C"}
_PULLS: Final = "mean of the accepted pulls, band of a further one"
_RANK: Final = {"outside": 0, "inside": 1, "not_covered": 2}


def envelope_chart(result: Envelope, channel: str | None = None) -> alt.LayerChart:
    """Return the band of a channel with every run compared; points outside are marked.

    Args:
        result: The check.
        channel: Its stored name; None for the one that matters most.
    """
    found = _chosen(result, channel)
    bands = result.bands.filter(pl.col("channel") == found.channel)
    points = result.points.filter(pl.col("channel") == found.channel).with_columns(
        run=pl.format("{} run {}", "log", "run")
    )
    x = _speed_axis(bands, points)
    title = f"{found.words[0].upper()}{found.words[1:]} [{_TITLES.get(found.unit, found.unit)}]"
    y = _value_axis("value", title)
    known = bands.filter("usable")
    layers = [
        alt.Chart(known.select("rpm", "low", "high"))
        .mark_area(color=PALETTE["band"], opacity=0.35)
        .encode(x=x, y=_value_axis("low", title), y2="high:Q"),
        alt.Chart(bands.select("rpm", value="mean"))
        .mark_line(color=PALETTE["baseline"], strokeDash=[5, 3], strokeWidth=1.4)
        .encode(x=x, y=y),
        alt.Chart(points.select("rpm", "value", "run"))
        .mark_line(color=PALETTE["candidate"], strokeWidth=2)
        .encode(x=x, y=y, detail="run:N"),
        alt.Chart(points.filter("outside").select("rpm", "value", "run"))
        .mark_point(color=PALETTE["loss"], shape="diamond", filled=True, size=70, opacity=1)
        .encode(x=x, y=y),
        *_names(known, points, x, title),
        hover_strips(points.select("run", "rpm", "value", "low", "high"), x, _tooltip()),
    ]
    return layered(layers, height=_HEIGHT)


def _names(known: pl.DataFrame, points: pl.DataFrame, x: alt.X, title: str) -> list[alt.Chart]:
    """Return the names of what is drawn, at the right: the logs above the band, the pulls below."""
    last = known.sort("rpm").tail(1)
    logs = "new log" if points["run"].n_unique() < 2 else "new logs"
    above = (
        alt.Chart(last.select("rpm", "high", words=pl.lit(logs)))
        .mark_text(align="right", baseline="bottom", dy=-5, color=PALETTE["candidate"])
        .encode(x=x, y=_value_axis("high", title), text="words:N")
    )
    below = (
        alt.Chart(last.select("rpm", "low", words=pl.lit(_PULLS)))
        .mark_text(align="right", baseline="top", dy=5, color=PALETTE["baseline"])
        .encode(x=x, y=_value_axis("low", title), text="words:N")
    )
    return [above, below] if points.height else [below]


def _chosen(result: Envelope, channel: str | None) -> ChannelRange:
    if channel is None:
        return min(
            result.channels, key=lambda one: (not one.danger, _RANK[one.status], not one.needed)
        )
    return next(one for one in result.channels if one.channel == channel)


def _value_axis(field: str, title: str) -> alt.Y:
    scale = alt.Scale(zero=False, nice=True)
    return alt.Y(f"{field}:Q", title=title, scale=scale, axis=alt.Axis(tickCount=5))


def _speed_axis(bands: pl.DataFrame, points: pl.DataFrame) -> alt.X:
    rpm = [*bands["rpm"].to_list(), *points["rpm"].to_list()] or [0.0, 1.0]
    return alt.X(
        "rpm:Q",
        title="Engine speed [rpm]",
        scale=alt.Scale(domain=[min(rpm), max(rpm)], nice=False, zero=False),
        axis=alt.Axis(format=",d", tickCount=8),
    )


def _tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("run:N", title="Log"),
        alt.Tooltip("rpm:Q", title="Engine speed [rpm]", format=",d"),
        alt.Tooltip("value:Q", title="Value", format=".4~g"),
        alt.Tooltip("low:Q", title="Band from", format=".4~g"),
        alt.Tooltip("high:Q", title="to", format=".4~g"),
    ]
