"""Axes and small layers that several charts share."""

from __future__ import annotations

from typing import Protocol

import altair as alt
import polars as pl

from dynostats.charts.theme import DASH, HEIGHT, PALETTE

ROLES = ["baseline", "candidate"]
# Room that the name of a line takes, px.
_LINE_HEIGHT = 16

# Percent ticks show their sign; zero has none.
SIGNED_LABEL = "datum.value == 0 ? '0' : format(datum.value, '+.1~f')"

# A layer of this style only answers the pointer; a static picture leaves it out.
HOVER = "hover"


class Banded(Protocol):
    """A result over a band of engine speed."""

    @property
    def band(self) -> tuple[float, float]:
        """Return first and last speed, rpm."""
        ...


def rpm_axis(result: Banded) -> alt.X:
    """Return the engine-speed axis over exactly the compared band."""
    return alt.X(
        "rpm:Q",
        title="Engine speed [rpm]",
        scale=alt.Scale(domain=list(result.band), nice=False, zero=False),
        axis=alt.Axis(format=",d", tickCount=8),
    )


def percent_axis(field: str, *, title: str, domain: list[float]) -> alt.Y:
    """Return a percent axis that always shows the sign."""
    return alt.Y(
        f"{field}:Q",
        title=title,
        scale=alt.Scale(domain=domain, nice=False, zero=False),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=6),
    )


def extent_with_air(values: pl.Series) -> tuple[float, float]:
    """Return the extent of the values and zero with a little air."""
    known = [*values.drop_nulls().to_list(), 0.0]
    air = 0.08 * (max(known) - min(known)) or 1.0
    return min(known) - air, max(known) + air


def apart(values: pl.Series, gap: float) -> list[float]:
    """Return rising values moved up until each lies at least one gap above the one before."""
    heights: list[float] = []
    for value in values:
        heights.append(max(value, heights[-1] + gap) if heights else value)
    return heights


def name_heights(ends: pl.DataFrame, value: str, *, extent: float, height: float) -> pl.DataFrame:
    """Return where the names of lines stand: over their ends, none on another.

    Args:
        ends: One row a line.
        value: Column with the height of its end.
        extent: What the axis spans, in the unit of the values.
        height: Height of the chart, px.

    Returns:
        The rows in rising order with a column `at`.
    """
    rising = ends.drop_nulls(value).sort(value)
    gap = _LINE_HEIGHT * extent / height
    return rising.with_columns(pl.Series("at", apart(rising[value], gap)))


def zero_column() -> alt.Chart:
    """Return the line of no difference of a chart that lies on its side."""
    frame = pl.DataFrame({"at": [0.0]})
    return alt.Chart(frame).mark_rule(color=PALETTE["ink"]).encode(x="at:Q")


def role_color() -> alt.Color:
    """Return the colour of baseline and candidate; lines carry labels, so there is no legend."""
    scale = alt.Scale(domain=ROLES, range=[PALETTE[role] for role in ROLES])
    return alt.Color("role:N", scale=scale, legend=None)


def role_dash() -> alt.StrokeDash:
    """Return the dash of baseline and candidate, for eyes and printers without colour."""
    scale = alt.Scale(domain=ROLES, range=[DASH[role] for role in ROLES])
    return alt.StrokeDash("role:N", scale=scale, legend=None)


def zero_rule() -> alt.Chart:
    """Return the line of no difference."""
    frame = pl.DataFrame({"at": [0.0]})
    return alt.Chart(frame).mark_rule(color=PALETTE["ink"], strokeWidth=1).encode(y="at:Q")


def hover_strips(frame: pl.DataFrame, x: alt.X, tooltip: list[alt.Tooltip]) -> alt.Chart:
    """Return invisible full-height strips, one a row, that answer the pointer with values."""
    return (
        alt.Chart(frame)
        .mark_rule(style=HOVER, opacity=0, strokeWidth=9, y=0, y2=HEIGHT)
        .encode(x=x, tooltip=tooltip)
    )
