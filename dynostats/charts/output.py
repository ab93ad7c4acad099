"""What the engine made: power and torque of both setups, every pull visible."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import chart_of, hover_strips, role_color, role_dash, rpm_axis
from dynostats.charts.theme import HEIGHT, PALETTE, WIDTH, dress


def power_chart(result: Comparison) -> alt.LayerChart:
    """Return power over engine speed in kW: thin lines are pulls, thick lines setup means."""
    return _output_chart(result, suffix="kw", column="power_kw", title="Power [kW]")


def torque_chart(result: Comparison) -> alt.LayerChart:
    """Return torque over engine speed in N·m: thin lines are pulls, thick lines setup means."""
    return _output_chart(result, suffix="nm", column="torque_nm", title="Torque [N·m]")


def _output_chart(result: Comparison, *, suffix: str, column: str, title: str) -> alt.LayerChart:
    x = rpm_axis(result)
    y = alt.Y(
        f"{column}:Q",
        title=title,
        scale=alt.Scale(zero=False, nice=True),
        axis=alt.Axis(tickCount=6, format=",.0f"),
    )
    look = {"x": x, "y": y, "color": role_color(), "strokeDash": role_dash()}
    means = _means(result.curve, suffix, column)
    pulls = chart_of(result.pull_curves).mark_line(strokeWidth=0.9, opacity=0.75)
    layers = [
        pulls.encode(**look, detail="pull:N"),
        chart_of(means).mark_line(strokeWidth=2.4).encode(**look),
        *_labels(result, suffix, x),
        hover_strips(result.curve, x, _tooltip(suffix, title)),
    ]
    return dress(alt.layer(*layers).properties(width=WIDTH, height=HEIGHT))


def _means(curve: pl.DataFrame, suffix: str, column: str) -> pl.DataFrame:
    """Return the two mean curves in long form: one row a role and grid speed."""
    return pl.concat(
        curve.select("rpm", pl.lit(role).alias("role"), pl.col(f"{role}_{suffix}").alias(column))
        for role in ("baseline", "candidate")
    )


def _labels(result: Comparison, suffix: str, x: alt.X) -> list[alt.Chart]:
    """Return the setups' names beside their mean curves, the higher one above, the other below."""
    place = round(result.curve.height * 0.62)
    spot, after = result.curve[place], result.curve[min(place + 3, result.curve.height - 1)]
    # Above a rising curve there is room to the left, above a falling one to the right.
    rising = after[f"baseline_{suffix}"][0] >= spot[f"baseline_{suffix}"][0]
    over = "candidate" if result.overall.effect_pct >= 0 else "baseline"
    names = {"baseline": result.baseline, "candidate": result.candidate}
    return [
        chart_of(
            pl.DataFrame(
                {
                    "rpm": spot["rpm"],
                    "at": spot[f"{role}_{suffix}"],
                    "label": [f"{names[role]} ({role})"],
                }
            )
        )
        .mark_text(
            align="right" if (role == over) == rising else "left",
            dy=-16 if role == over else 22,
            color=PALETTE[role],
            fontWeight=600,
            limit=300,
        )
        .encode(x=x, y="at:Q", text="label:N")
        for role in ("baseline", "candidate")
    ]


def _tooltip(suffix: str, title: str) -> list[alt.Tooltip]:
    unit = title[title.index("[") :]
    return [
        alt.Tooltip("rpm:Q", title="Engine speed [rpm]", format=",.0f"),
        alt.Tooltip(f"baseline_{suffix}:Q", title=f"Baseline mean {unit}", format=".1f"),
        alt.Tooltip(f"candidate_{suffix}:Q", title=f"Candidate mean {unit}", format=".1f"),
        alt.Tooltip("effect_pct:Q", title="Difference [%]", format="+.2f"),
    ]
