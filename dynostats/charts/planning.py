"""What a plan sees: the smallest visible effect by the number of pulls of each setup."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import polars as pl

from dynostats.analysis.planning.declaration import Declaration, Look
from dynostats.analysis.planning.plan import Plan
from dynostats.charts.axis import extent_with_air, percent_axis, zero_rule
from dynostats.charts.theme import HEIGHT, MINUS, PALETTE, WIDTH, layered
from dynostats.words import count


def looks_chart(declared: Declaration, looks: Sequence[Look]) -> alt.LayerChart:
    """Return the effect at each look with its bounds, all looks taken into account.

    A look at which nothing could be claimed has a point and no bounds.

    Args:
        declared: The question, for its margin and the pairs planned.
        looks: The looks, oldest first.
    """
    rows = pl.DataFrame(
        [
            {
                "pairs": look.pairs,
                "effect_pct": look.effect_pct,
                "low_pct": look.low_pct,
                "high_pct": look.high_pct,
            }
            for look in looks
        ],
        schema={
            "pairs": pl.Int64,
            "effect_pct": pl.Float64,
            "low_pct": pl.Float64,
            "high_pct": pl.Float64,
        },
    )
    x = alt.X(
        "pairs:Q",
        title="Pairs of pulls in",
        scale=alt.Scale(domain=[0, declared.pulls_per_setup + 0.5], nice=False),
        axis=alt.Axis(tickMinStep=1, format="d"),
    )
    margin = declared.margin_pct
    lines = pl.DataFrame(
        {"effect_pct": [-margin, margin], "words": [f"{MINUS}{margin:g}%", f"+{margin:g}%"]}
    )
    seen = [rows[name] for name in ("effect_pct", "low_pct", "high_pct")]
    domain = extent_with_air(pl.concat([*seen, lines["effect_pct"]]))
    y = percent_axis("effect_pct", title="Effect, mean over the band [%]", domain=list(domain))
    base = alt.Chart(rows).encode(x=x)
    return layered(
        [
            zero_rule(),
            alt.Chart(lines).mark_rule(color=PALETTE["axis"], strokeDash=[2, 3]).encode(y=y),
            alt.Chart(lines)
            .mark_text(color=PALETTE["muted"], align="right", x=WIDTH - 4, dy=-8)
            .encode(y=y, text="words:N"),
            base.mark_rule(color=PALETTE["candidate"], strokeWidth=2).encode(
                y=alt.Y("low_pct:Q"), y2="high_pct:Q"
            ),
            base.mark_point(color=PALETTE["candidate"], filled=True, size=70).encode(y=y),
        ],
        width=WIDTH,
        height=HEIGHT,
    )


def plan_chart(plan: Plan) -> alt.LayerChart:
    """Return the smallest effect seen by pulls of each setup, the aim, and what is planned."""
    seen = plan.detectable.drop_nulls("pct").select("n", "pct")
    top = 1.1 * max(plan.aim.effect_pct, float(seen["pct"].to_numpy().max()))
    x = alt.X(
        "n:O",
        title=f"Pulls of each setup, in {count(plan.aim.sessions, 'session')}",
        axis=alt.Axis(labelAngle=0),
    )
    y = alt.Y(
        "pct:Q",
        title=f"Smallest effect seen with a chance of {plan.aim.power:.0%} [%]",
        scale=alt.Scale(domain=[0, top], nice=False),
    )
    base = alt.Chart(seen).encode(x=x, y=y)
    wanted = plan.aim.effect_pct
    aim = alt.Chart(pl.DataFrame({"pct": [wanted], "words": [f"wanted: {wanted:g}%"]}))
    chosen = seen.filter(pl.col("n") == plan.pulls_per_setup)
    return layered(
        [
            base.mark_line(color=PALETTE["candidate"], strokeWidth=2),
            base.mark_point(color=PALETTE["candidate"], filled=True, size=40),
            aim.mark_rule(color=PALETTE["baseline"], strokeDash=[6, 3]).encode(y=y),
            aim.mark_text(color=PALETTE["baseline"], align="right", x=WIDTH - 4, dy=-9).encode(
                y=y, text="words:N"
            ),
            alt.Chart(chosen)
            .mark_point(color=PALETTE["gain"], size=220, strokeWidth=2)
            .encode(x=x, y=y),
        ],
        width=WIDTH,
        height=HEIGHT,
    )
