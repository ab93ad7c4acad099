"""What the engine made: power and torque of both setups, every pull visible."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import ROLES, hover_strips, role_color, role_dash, rpm_axis
from dynostats.charts.lines import Suffix, pull_lines
from dynostats.charts.theme import DASH, PALETTE, layered

# Share of the range at which the setups' names stand: the curves lie apart there, and both sides
# have room.
_LABEL_AT = 0.6


def power_chart(result: Comparison) -> alt.LayerChart:
    """Return power over engine speed in kW: thin lines are pulls, thick lines setup means."""
    return _output_chart(result, suffix="kw", title="Power [kW]")


def torque_chart(result: Comparison) -> alt.LayerChart:
    """Return torque over engine speed in N·m: thin lines are pulls, thick lines setup means."""
    return _output_chart(result, suffix="nm", title="Torque [N·m]")


def _output_chart(result: Comparison, *, suffix: Suffix, title: str) -> alt.LayerChart:
    x = rpm_axis(result)
    means = [
        alt.Chart(result.curve)
        .mark_line(strokeWidth=2.4, color=PALETTE[role], strokeDash=DASH[role])
        .encode(x=x, y=_output_axis(f"{role}_{suffix}", title))
        for role in ROLES
    ]
    layers = [
        pull_lines(result, suffix)
        .mark_line(strokeWidth=0.9, opacity=0.75)
        .encode(x=x, y=_output_axis("value", title), color=role_color(), strokeDash=role_dash()),
        *means,
        *_labels(result, suffix, x),
        hover_strips(result.curve, x, _tooltip(suffix, title)),
    ]
    return layered(layers)


def _output_axis(field: str, title: str) -> alt.Y:
    return alt.Y(
        f"{field}:Q",
        title=title,
        scale=alt.Scale(zero=False, nice=True),
        axis=alt.Axis(tickCount=6, format=",.0f"),
    )


def _labels(result: Comparison, suffix: Suffix, x: alt.X) -> list[alt.Chart]:
    """Return the setups' names beside their mean curves, the higher one above, the other below."""
    place = min(round(result.curve.height * _LABEL_AT), result.curve.height - 1)
    spot, after = result.curve[place], result.curve[min(place + 3, result.curve.height - 1)]
    # Above a rising curve there is room to the left, above a falling one to the right.
    rising = after[f"baseline_{suffix}"][0] >= spot[f"baseline_{suffix}"][0]
    over = "candidate" if result.overall.effect_pct >= 0 else "baseline"
    names = {"baseline": result.baseline, "candidate": result.candidate}
    labels: list[alt.Chart] = []
    for role in ROLES:
        leftward = (role == over) == rising
        frame = pl.DataFrame(
            {
                "rpm": spot["rpm"],
                f"at_{suffix}": spot[f"{role}_{suffix}"],
                "label": [names[role]],
            }
        )
        text = alt.Chart(frame).mark_text(
            align="right" if leftward else "left",
            dy=-16 if role == over else 22,
            color=PALETTE[role],
            fontWeight=600,
            limit={"expr": f"width * {_LABEL_AT if leftward else 1 - _LABEL_AT:.2f}"},
        )
        labels.append(text.encode(x=x, y=f"at_{suffix}:Q", text="label:N"))
    return labels


def _tooltip(suffix: Suffix, title: str) -> list[alt.Tooltip]:
    unit = title[title.index("[") :]
    return [
        alt.Tooltip("rpm:Q", title="Engine speed [rpm]", format=",.0f"),
        alt.Tooltip(f"baseline_{suffix}:Q", title=f"Baseline mean {unit}", format=".1f"),
        alt.Tooltip(f"candidate_{suffix}:Q", title=f"Candidate mean {unit}", format=".1f"),
        alt.Tooltip("effect_pct:Q", title="Difference [%]", format="+.2f"),
    ]
