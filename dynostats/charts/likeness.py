"""Pulls most like one: their differences from it over engine speed."""

from __future__ import annotations

from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.likeness import SimilarPulls
from dynostats.charts.axis import extent_with_air, name_heights, percent_axis, rpm_axis, zero_rule
from dynostats.charts.theme import HEIGHT, PALETTE, WIDTH, layered

MOST_DRAWN: Final = 6


def likeness_chart(result: SimilarPulls) -> alt.LayerChart:
    """Return the six nearest pulls as differences from the pull asked for, percent of its torque.

    The nearest is drawn dark. The pale band holds the level of 95% of pulls of one setup in one
    session, where that is known.
    """
    drawn = result.matches["pull"].head(MOST_DRAWN).to_list()
    rows = result.curves.filter(pl.col("pull").is_in(drawn)).with_columns(
        nearest=pl.col("pull") == drawn[0]
    )
    limit = result.one_session.level_pct
    around = [] if limit is None else [-limit, limit]
    low, high = extent_with_air(
        pl.concat([rows["difference_pct"], pl.Series(around, dtype=pl.Float64)])
    )
    x = rpm_axis(result)
    y = percent_axis(
        "difference_pct", title=f"Difference from {result.pull} [%]", domain=[low, high]
    )
    ends = rows.sort("rpm").group_by("pull", maintain_order=True).last()
    heights = name_heights(ends, "difference_pct", extent=high - low, height=HEIGHT)
    names = heights.join(result.matches.select("pull", "setup"), on="pull").with_columns(
        label=pl.format("{} {}", "pull", "setup")
    )
    lines = alt.Chart(rows)
    layers = [
        lines.mark_line(strokeWidth=1.6).encode(
            x=x,
            y=y,
            color=_shade("axis"),
            detail="pull:N",
            tooltip=[
                alt.Tooltip("pull:N", title="Pull"),
                alt.Tooltip("rpm:Q", title="rpm", format=",d"),
                alt.Tooltip("difference_pct:Q", title="Difference [%]", format="+.2f"),
            ],
        ),
        zero_rule(),
        alt.Chart(names)
        .mark_text(align="left", dx=6)
        .encode(x=alt.value(WIDTH - 150), y="at:Q", text="label:N", color=_shade("muted")),
    ]
    if limit is not None:
        band = pl.DataFrame({"low": [-limit], "high": [limit]})
        layers.insert(
            0,
            alt.Chart(band).mark_rect(color=PALETTE["grid"]).encode(y="low:Q", y2="high:Q"),
        )
    return layered(layers, width=WIDTH - 150).resolve_scale(color="independent")


def _shade(others: str) -> alt.Color:
    """Return the colour of the nearest pull and of the others (lines may be paler than words)."""
    inks = alt.Scale(domain=[True, False], range=[PALETTE["candidate"], PALETTE[others]])
    return alt.Color("nearest:N", scale=inks, legend=None)
