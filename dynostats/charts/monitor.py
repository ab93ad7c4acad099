"""The cell over time: session means with limits, the running mean, what was done to the cell."""

from __future__ import annotations

from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.monitor import Chart, Monitoring
from dynostats.charts.axis import hover_strips
from dynostats.charts.theme import PALETTE, layered

_HEIGHT: Final = 240
_UNITS: Final = {"1": "", "degC": " [°C]", "": ""}


def individuals_chart(result: Monitoring, channel: str = "torque") -> alt.LayerChart:
    """Return session means of a channel with centre, limits, changes and events.

    Args:
        result: The monitoring.
        channel: Stored name of a charted channel.
    """
    chart = _chart_of(result, channel)
    points = _placed(chart)
    x = _session_axis(points)
    y = _value_axis("value", chart, "session mean")
    limits = points.select("place", "segment", "centre", "low", "high")
    shown = points.with_columns(beyond=pl.col("signal").list.contains("individuals"))
    layers = [
        *_limit_layers(limits, x, y),
        *_event_layers(result, points, x),
        alt.Chart(shown.select("place", "value"))
        .mark_line(color=PALETTE["candidate"], strokeWidth=1.2)
        .encode(x=x, y=y),
        alt.Chart(shown.filter(~pl.col("beyond")).select("place", "value"))
        .mark_point(color=PALETTE["candidate"], filled=True, size=55, opacity=1)
        .encode(x=x, y=y),
        alt.Chart(shown.filter("beyond").select("place", "value"))
        .mark_point(color=PALETTE["loss"], shape="diamond", filled=True, size=95, opacity=1)
        .encode(x=x, y=y),
        _hover(points, x, chart),
    ]
    return layered(layers, height=_HEIGHT)


def range_chart(result: Monitoring, channel: str = "torque") -> alt.LayerChart:
    """Return the differences from session to session of a channel with their upper limit."""
    chart = _chart_of(result, channel)
    points = _placed(chart).drop_nulls("moving_range")
    return _upper_chart(chart, points, "moving_range", "moving_range_high", "moving range")


def within_chart(result: Monitoring, channel: str = "torque") -> alt.LayerChart:
    """Return the SD between the pulls of each session with its upper limit."""
    chart = _chart_of(result, channel)
    points = _placed(chart).drop_nulls("within_sd")
    return _upper_chart(chart, points, "within_sd", "within_high", "SD within the session")


def ewma_chart(result: Monitoring, channel: str = "torque") -> alt.LayerChart:
    """Return the running mean of a channel with its limits, changes and events."""
    chart = _chart_of(result, channel)
    points = _placed(chart)
    x = _session_axis(points)
    y = _value_axis("ewma", chart, "running mean")
    outside = points.filter(pl.col("signal").list.contains("ewma"))
    limits = points.select("place", "segment", "centre", low="ewma_low", high="ewma_high")
    layers = [
        *_limit_layers(limits, x, y),
        *_event_layers(result, points, x),
        alt.Chart(points.drop_nulls("ewma").select("place", "ewma", "segment"))
        .mark_line(color=PALETTE["candidate"], strokeWidth=2, point=True)
        .encode(x=x, y=y, detail="segment:N"),
        alt.Chart(outside.select("place", "ewma"))
        .mark_point(color=PALETTE["loss"], shape="diamond", filled=True, size=95, opacity=1)
        .encode(x=x, y=y),
    ]
    return layered(layers, height=_HEIGHT)


def _upper_chart(
    chart: Chart, points: pl.DataFrame, name: str, limit: str, words: str
) -> alt.LayerChart:
    x = _session_axis(_placed(chart))
    y = _value_axis(name, chart, words)
    beyond = points.filter(pl.col(name) > pl.col(limit))
    layers = [
        alt.Chart(points.select("place", limit).drop_nulls())
        .mark_tick(color=PALETTE["axis"], thickness=2, orient="horizontal", size=18)
        .encode(x=x, y=_value_axis(limit, chart, words)),
        _name_of_line(points.drop_nulls(limit), limit, x, _value_axis(limit, chart, words)),
        alt.Chart(points.select("place", name))
        .mark_bar(color=PALETTE["band"], width=8)
        .encode(x=x, y=y),
        alt.Chart(beyond.select("place", name))
        .mark_point(color=PALETTE["loss"], shape="diamond", filled=True, size=95, opacity=1)
        .encode(x=x, y=y),
    ]
    return layered(layers, height=_HEIGHT // 2)


def _chart_of(result: Monitoring, channel: str) -> Chart:
    return next(chart for chart in result.charts if chart.channel == channel)


def _placed(chart: Chart) -> pl.DataFrame:
    return chart.points.with_columns(
        place=pl.int_range(1, pl.len() + 1),
        words=pl.when(pl.col("date").is_null())
        .then(pl.col("session"))
        .otherwise(pl.format("{} ({})", "session", pl.col("date").dt.strftime("%Y-%m-%d"))),
    )


def _session_axis(points: pl.DataFrame) -> alt.X:
    count = points.height
    return alt.X(
        "place:Q",
        title="Session, in order of time",
        scale=alt.Scale(domain=[0.5, count + 0.5], nice=False, zero=False),
        axis=alt.Axis(values=list(range(1, count + 1, -(-count // 24))), format="d", grid=False),
    )


def _value_axis(field: str, chart: Chart, words: str) -> alt.Y:
    unit = _UNITS.get(chart.unit, f" [{chart.unit}]")
    name = f"{chart.words[0].upper()}{chart.words[1:]}"
    return alt.Y(
        f"{field}:Q",
        title=f"{name}, {words}{unit}",
        scale=alt.Scale(zero=field in {"moving_range", "moving_range_high", "within_sd"}),
        axis=alt.Axis(tickCount=5),
    )


def _limit_layers(limits: pl.DataFrame, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Return the centre and the limits as steps, and a line at each change."""
    known = limits.drop_nulls("low").with_columns(
        first=pl.col("place") - 0.5, last=pl.col("place") + 0.5
    )
    across = x.copy()
    across.shorthand = "first:Q"
    rules: list[alt.Chart] = []
    for name, color, dash in (
        ("centre", "baseline", [1, 0]),
        ("low", "axis", [5, 3]),
        ("high", "axis", [5, 3]),
    ):
        height = y.copy()
        height.shorthand = f"{name}:Q"
        rules.append(
            alt.Chart(known.select("first", "last", name))
            .mark_rule(color=PALETTE[color], strokeDash=dash, strokeWidth=1.4)
            .encode(x=across, x2="last:Q", y=height)
        )
        if name != "low":
            rules.append(_name_of_line(known, name, x, height))
    return [*rules, *_change_layers(limits, x)]


def _name_of_line(points: pl.DataFrame, name: str, x: alt.X, y: alt.Y) -> alt.Chart:
    """Return the name of a centre or limit, above it at the last session."""
    words = "centre" if name == "centre" else "limit"
    return (
        alt.Chart(points.tail(1).select("place", name, words=pl.lit(words)))
        .mark_text(align="left", baseline="bottom", dx=12, dy=-3, color=PALETTE["muted"])
        .encode(x=x, y=y, text="words:N")
    )


def _change_layers(points: pl.DataFrame, x: alt.X) -> list[alt.Chart]:
    starts = points.filter(pl.col("segment") != pl.col("segment").shift(1)).select(
        (pl.col("place") - 0.5).alias("place")
    )
    if starts.is_empty():
        return []
    return [alt.Chart(starts).mark_rule(color=PALETTE["loss"], strokeWidth=1.6).encode(x=x)]


def _event_layers(result: Monitoring, points: pl.DataFrame, x: alt.X) -> list[alt.Chart]:
    """Return the events between the sessions they fall between, with their names."""
    if points["date"].null_count() or not result.events:
        return []
    dates = points["date"].to_list()
    rows = [
        {
            "place": 0.5 + sum(date < event.happened_at for date in dates),
            "event": f"{event.event} {event.kind}",
            "when": f"{event.happened_at:%Y-%m-%d}",
            "what": event.what,
        }
        for event in result.events
    ]
    base = alt.Chart(pl.DataFrame(rows))
    tooltip = [
        alt.Tooltip("event:N", title="Event"),
        alt.Tooltip("when:N", title="When"),
        alt.Tooltip("what:N", title="What"),
    ]
    return [
        base.mark_rule(color=PALETTE["muted"], strokeDash=[1, 3]).encode(x=x, tooltip=tooltip),
        base.mark_text(
            align="left", baseline="top", y=3, dx=4, color=PALETTE["muted"], fontSize=11, limit=150
        ).encode(x=x, text="event:N"),
    ]


def _hover(points: pl.DataFrame, x: alt.X, chart: Chart) -> alt.Chart:
    return hover_strips(
        points.select("place", "words", "value", "pulls", "low", "high"),
        x,
        [
            alt.Tooltip("words:N", title="Session"),
            alt.Tooltip("value:Q", title=f"Mean {chart.words}", format=".4~g"),
            alt.Tooltip("pulls:Q", title="Pulls"),
            alt.Tooltip("low:Q", title="Limits from", format=".4~g"),
            alt.Tooltip("high:Q", title="to", format=".4~g"),
        ],
    )
