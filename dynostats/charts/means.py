"""Mean differences with their intervals, one a line: by region, and without each pull."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison, Influence, Overall, Region
from dynostats.charts.axis import SIGNED_LABEL, extent_with_air, zero_column
from dynostats.charts.theme import PALETTE, VERDICT_SYMBOLS, VERDICT_WORDS, WIDTH, layered

_SCHEMA = {
    "label": pl.String,
    "effect_pct": pl.Float64,
    "low_pct": pl.Float64,
    "high_pct": pl.Float64,
    "words": pl.String,
}


def region_chart(result: Comparison) -> alt.LayerChart:
    """Return the mean difference of the whole band and of each region with its interval."""
    parts = [
        _row(f"{region.from_rpm:,.0f} to {region.to_rpm:,.0f} rpm", region, _words(region))
        for region in result.regions
    ]
    rows = pl.DataFrame([_row("whole range", result.overall, "mean"), *parts], schema=_SCHEMA)
    return _interval_chart(result, rows, row_height=46)


def influence_chart(result: Comparison) -> alt.LayerChart:
    """Return the mean difference with every pull and without each one of them."""
    without = [
        _row(f"without {one.pull}", one, _words(one) if one.changes else "")
        for one in result.influence
    ]
    rows = pl.DataFrame([_row("every pull", result.overall, ""), *without], schema=_SCHEMA)
    return _interval_chart(result, rows, row_height=30)


def _row(label: str, of: Overall | Region | Influence, words: str) -> dict[str, object]:
    return {
        "label": label,
        "effect_pct": of.effect_pct,
        "low_pct": of.low_pct,
        "high_pct": of.high_pct,
        "words": words,
    }


def _words(of: Region | Influence) -> str:
    return f"{VERDICT_SYMBOLS[of.verdict]} {VERDICT_WORDS[of.verdict]}"


def _interval_chart(result: Comparison, rows: pl.DataFrame, *, row_height: int) -> alt.LayerChart:
    """Return one line a row: the interval, its middle, words over it; margins and zero behind."""
    margin = result.margin_pct
    low, high = extent_with_air(pl.concat([rows[name] for name in ("low_pct", "high_pct")]))
    x = alt.X(
        "effect_pct:Q",
        title=f"Mean difference in {result.quantity} [%]",
        scale=alt.Scale(domain=[min(low, -margin), max(high, margin)]),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=6, grid=True),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=150))
    base = alt.Chart(rows)
    margins = alt.Chart(pl.DataFrame({"at": [-margin, margin]}))
    layers = [
        margins.mark_rule(color=PALETTE["muted"], strokeDash=[2, 3]).encode(x="at:Q"),
        zero_column(),
        base.mark_rule(color=PALETTE["candidate"], strokeWidth=3).encode(
            x="low_pct:Q", x2="high_pct:Q", y=y
        ),
        base.mark_point(
            color=PALETTE["candidate"], fill=PALETTE["paper"], size=70, strokeWidth=2, opacity=1
        ).encode(x=x, y=y),
        base.mark_text(dy=-13).encode(x=x, y=y, text="words:N"),
    ]
    return layered(layers, width=WIDTH - 130, height=row_height * rows.height)
