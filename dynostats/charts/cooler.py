"""What a charge cooler does: its pressure loss against air flow, in both setups."""

from __future__ import annotations

from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.cooler import CoolerFinding
from dynostats.charts.axis import ROLES, name_heights, role_color, role_dash
from dynostats.charts.theme import PALETTE, layered

_HEIGHT: Final = 280
# Of the largest loss: the names of both lines find room above it.
_ROOM: Final = 1.15


def loss_chart(result: CoolerFinding) -> alt.LayerChart:
    """Return the pressure loss of both setups over air flow, each with its interval.

    The intervals hold at each air flow for itself.
    """
    rows = loss_rows(result)
    flows = result.by_flow["flow_kg_h"].to_list()
    x = alt.X(
        "flow_kg_h:Q",
        title="Air flow [kg/h]",
        scale=alt.Scale(domain=[flows[0], flows[-1]], nice=False, zero=False),
        axis=alt.Axis(format=",d", tickCount=8),
    )
    top = max(value for name in ("loss_kpa", "high_kpa") for value in rows[name].drop_nulls())
    y = alt.Y(
        "loss_kpa:Q",
        title="Pressure loss [kPa]",
        scale=alt.Scale(domain=[0.0, _ROOM * top], nice=False),
        axis=alt.Axis(tickCount=6),
    )
    base = alt.Chart(rows)
    inks = alt.Scale(domain=ROLES, range=[PALETTE[role] for role in ROLES])
    fill = alt.Fill("role:N", scale=inks, legend=None)
    ends = rows.filter(pl.col("flow_kg_h") == flows[-1])
    heights = name_heights(ends, "loss_kpa", extent=_ROOM * top, height=_HEIGHT)
    names = alt.Chart(heights.rename({"at": "at_kpa"}))
    return layered(
        [
            base.mark_area(opacity=0.15).encode(x=x, y="low_kpa:Q", y2="high_kpa:Q", fill=fill),
            base.mark_line(strokeWidth=2.2).encode(
                x=x, y=y, color=role_color(), strokeDash=role_dash()
            ),
            names.mark_text(align="right", baseline="bottom", dx=-14, dy=-4).encode(
                x=x, y="at_kpa:Q", text="role:N", color=role_color()
            ),
        ],
        height=_HEIGHT,
    )


def loss_rows(result: CoolerFinding) -> pl.DataFrame:
    """Return one row a setup and air flow: role, flow_kg_h, loss_kpa, low_kpa, high_kpa."""
    return pl.concat(
        result.by_flow.select(
            pl.lit(role).alias("role"),
            "flow_kg_h",
            pl.col(f"{role}_kpa").alias("loss_kpa"),
            pl.col(f"{role}_low_kpa").alias("low_kpa"),
            pl.col(f"{role}_high_kpa").alias("high_kpa"),
        )
        for role in ("baseline", "candidate")
    )
