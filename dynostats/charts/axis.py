"""Axes and small layers that several charts share."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.theme import DASH, HEIGHT, PALETTE

ROLES = ["baseline", "candidate"]

# Percent ticks show their sign; zero has none.
SIGNED_LABEL = "datum.value == 0 ? '0' : format(datum.value, '+.1~f')"

# A layer of this style only answers the pointer; a static picture leaves it out.
HOVER = "hover"


def rpm_axis(result: Comparison) -> alt.X:
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
