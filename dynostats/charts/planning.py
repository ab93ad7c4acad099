"""What a plan sees: the smallest visible effect by the number of pulls of each setup."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.planning.plan import Plan
from dynostats.charts.theme import HEIGHT, PALETTE, WIDTH, layered


def plan_chart(plan: Plan) -> alt.LayerChart:
    """Return the smallest effect seen by pulls of each setup, the aim, and what is planned."""
    seen = plan.detectable.drop_nulls("pct").select("n", "pct")
    top = 1.1 * max(plan.aim.effect_pct, float(seen["pct"].to_numpy().max()))
    x = alt.X(
        "n:O",
        title=f"Pulls of each setup, {plan.aim.sessions} session(s)",
        axis=alt.Axis(labelAngle=0),
    )
    y = alt.Y(
        "pct:Q",
        title=f"Smallest effect seen with a chance of {plan.aim.power:.0%} [%]",
        scale=alt.Scale(domain=[0, top], nice=False),
    )
    base = alt.Chart(seen).encode(x=x, y=y)
    aim = alt.Chart(pl.DataFrame({"pct": [plan.aim.effect_pct]}))
    chosen = seen.filter(pl.col("n") == plan.pulls_per_setup)
    return layered(
        [
            base.mark_line(color=PALETTE["candidate"], strokeWidth=2),
            base.mark_point(color=PALETTE["candidate"], filled=True, size=40),
            aim.mark_rule(color=PALETTE["baseline"], strokeDash=[6, 3]).encode(y=y),
            alt.Chart(chosen)
            .mark_point(color=PALETTE["gain"], size=220, strokeWidth=2)
            .encode(x=x, y=y),
        ],
        width=WIDTH,
        height=HEIGHT,
    )
