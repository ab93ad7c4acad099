"""The difference in percent over engine speed, as a mean and pull by pull."""

from __future__ import annotations

from itertools import pairwise

import altair as alt
import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import (
    apart,
    extent_with_air,
    hover_strips,
    percent_axis,
    role_color,
    role_dash,
    rpm_axis,
    zero_rule,
)
from dynostats.charts.lines import pull_lines, pull_names, pull_values
from dynostats.charts.theme import (
    HEIGHT,
    MINUS,
    PALETTE,
    VERDICT_SYMBOLS,
    VERDICT_WORDS,
    layered,
    level_text,
)

_STRIP = 20
"""Height of the strip of verdicts at the foot of the effect chart, in pixels."""

_LINE_HEIGHT = 14
"""Height that a label needs for itself, in pixels."""

_LABEL_SHARE = 0.2
"""Width of a label on a curve, as a share of the plot's."""

_TONE = {
    "gain": "gain",
    "loss": "loss",
    "no_meaningful_change": "same",
    "mixed": "unknown",
    "undecided": "unknown",
}


def effect_chart(result: Comparison) -> alt.LayerChart:
    """Return the difference over engine speed with its simultaneous band, margin and verdicts."""
    x = rpm_axis(result)
    domain = _domain_with_strip(_difference_values(result))
    title = f"Difference in {result.quantity} [%]"
    y = percent_axis("effect_pct", title=title, domain=domain)
    line = alt.Chart(result.curve).mark_line(color=PALETTE["candidate"], strokeWidth=2.5)
    layers = [
        *_band_layers(result, x),
        *_margin_layers(result, domain),
        zero_rule(),
        line.encode(x=x, y=y),
        *_strip_layers(result),
        *_curve_labels(result, x),
        hover_strips(result.curve, x, _difference_tooltip()),
    ]
    return layered(layers)


def pull_difference_chart(result: Comparison) -> alt.LayerChart:
    """Return every accepted pull as a difference from the baseline's mean curve, in percent."""
    values = pull_values(result, "pct")
    x = rpm_axis(result)
    low, high = extent_with_air(values.unpivot(index="rpm")["value"])
    y = percent_axis(
        "value",
        title=f"{result.quantity.capitalize()} against the baseline mean [%]",
        domain=[low, high],
    )
    lines = (
        pull_lines(result, "pct")
        .mark_line(strokeWidth=1.4)
        .encode(x=x, y=y, color=role_color(), strokeDash=role_dash())
    )
    layers = [zero_rule(), lines]
    if result.pull_curves["pull"].n_unique() * _LINE_HEIGHT < HEIGHT:
        ends = _line_ends(result, values, gap=_LINE_HEIGHT * (high - low) / HEIGHT)
        text = alt.Chart(ends).mark_text(align="left", dx=4, fontSize=11, limit=70)
        layers.append(text.encode(x=x, y="at:Q", text="pull:N", color=role_color()))
    return layered(layers)


def _difference_values(result: Comparison) -> list[float]:
    columns = ["effect_pct", "low_pct", "high_pct"]
    values = [v for name in columns for v in result.curve[name].drop_nulls().to_list()]
    return [*values, 0.0, -result.margin_pct, result.margin_pct]


def _domain_with_strip(values: list[float]) -> list[float]:
    """Return a domain that leaves the strip's height free below the lowest value."""
    low, high = min(values), max(values)
    span = (high - low) or 1.0
    free = HEIGHT - _STRIP - 12 - 16
    return [low - span / free * (_STRIP + 12), high + span / free * 16]


def _band_layers(result: Comparison, x: alt.X) -> list[alt.Chart]:
    """Return the simultaneous band as an area with drawn edges; nothing when noise is unknown."""
    band = result.curve.drop_nulls(["low_pct", "high_pct"])
    if band.is_empty():
        return []
    base = alt.Chart(band)
    return [
        base.mark_area(color=PALETTE["band"], opacity=0.28).encode(
            x=x, y="low_pct:Q", y2="high_pct:Q"
        ),
        base.mark_line(color=PALETTE["band"], strokeWidth=1).encode(x=x, y="low_pct:Q"),
        base.mark_line(color=PALETTE["band"], strokeWidth=1).encode(x=x, y="high_pct:Q"),
    ]


def _margin_layers(result: Comparison, domain: list[float]) -> list[alt.Chart]:
    """Return the lines between which a change does not matter, labelled right of the plot."""
    margin = result.margin_pct
    lines = pl.DataFrame({"at": [-margin, margin]})
    labels = lines.with_columns(label=pl.Series([f"{MINUS}{margin:g}%", f"+{margin:g}%"]))
    if 2 * margin / (domain[1] - domain[0]) * HEIGHT < _LINE_HEIGHT:
        # Two labels would overlap: one stands for both lines.
        labels = pl.DataFrame({"at": [0.0], "label": [f"±{margin:g}%"]})
    return [
        alt.Chart(lines).mark_rule(color=PALETTE["muted"], strokeDash=[2, 3]).encode(y="at:Q"),
        alt.Chart(labels)
        .mark_text(align="left", x={"expr": "width"}, dx=4, color=PALETTE["muted"], fontSize=11)
        .encode(y="at:Q", text="label:N"),
    ]


def _strip_layers(result: Comparison) -> list[alt.Chart]:
    """Return the verdict of each region as a labelled strip along the engine-speed axis."""
    frame = pl.DataFrame(
        [
            {
                "from_rpm": from_rpm,
                "to_rpm": to_rpm,
                "middle": (from_rpm + to_rpm) / 2,
                "tone": _TONE[region.verdict],
                "symbol": VERDICT_SYMBOLS[region.verdict],
                "words": f"{VERDICT_SYMBOLS[region.verdict]} {VERDICT_WORDS[region.verdict]}",
            }
            for region, (from_rpm, to_rpm) in zip(
                result.regions, _touching_edges(result), strict=True
            )
        ]
    )
    low, high = result.band
    # Words where the region is wide enough for them on this screen, else the symbol alone.
    fits = f"(datum.to_rpm - datum.from_rpm) / {high - low!r} * width > 7.2 * length(datum.words)"
    tones = sorted(set(_TONE.values()))
    fill = alt.Fill(
        "tone:N", legend=None, scale=alt.Scale(domain=tones, range=[PALETTE[t] for t in tones])
    )
    # The boxes take the fill channel and the words the colour channel: one scale each.
    ink = alt.Color(
        "tone:N",
        legend=None,
        scale=alt.Scale(domain=tones, range=[PALETTE[f"on-{t}"] for t in tones]),
    )
    boxes = alt.Chart(frame).mark_rect(
        y=HEIGHT - _STRIP, y2=HEIGHT, stroke=PALETTE["paper"], strokeWidth=1
    )
    words = (
        alt.Chart(frame)
        .transform_calculate(shown=f"{fits} ? datum.words : datum.symbol")
        .mark_text(y=HEIGHT - _STRIP / 2, baseline="middle", fontSize=12, fontWeight=600)
    )
    return [
        boxes.encode(x="from_rpm:Q", x2="to_rpm:Q", fill=fill),
        words.encode(x="middle:Q", text="shown:N", color=ink),
    ]


def _touching_edges(result: Comparison) -> list[tuple[float, float]]:
    """Return region edges that meet halfway, since regions end on grid speeds."""
    cuts = [(a.to_rpm + b.from_rpm) / 2 for a, b in pairwise(result.regions)]
    edges = [result.band[0], *cuts, result.band[1]]
    return list(pairwise(edges))


def _curve_labels(result: Comparison, x: alt.X) -> list[alt.Chart]:
    """Return the direct labels: of the line over the line, of the band over its upper edge."""
    labels = {"effect_pct": "measured", "high_pct": f"{level_text(result)} band"}
    return [
        _label_on_curve(result.curve, column, label).encode(x=x, y="at:Q", text="label:N")
        for column, label in labels.items()
        if result.curve[column].null_count() == 0
    ]


def _label_on_curve(curve: pl.DataFrame, column: str, label: str) -> alt.Chart:
    """Return a label over the flattest stretch of a curve that is as wide as the label."""
    width = 1 + round((curve.height - 1) * _LABEL_SHARE)
    stretches = np.lib.stride_tricks.sliding_window_view(curve[column].to_numpy(), width)
    row = int(np.ptp(stretches, axis=1).argmin())
    place = {"rpm": curve["rpm"][row], "at": float(stretches[row].max()), "label": label}
    frame = pl.DataFrame([place])
    return alt.Chart(frame).mark_text(
        align="left", baseline="bottom", dy=-5, color=PALETTE["candidate"]
    )


def _difference_tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("rpm:Q", title="Engine speed [rpm]", format=",.0f"),
        alt.Tooltip("effect_pct:Q", title="Difference [%]", format="+.2f"),
        alt.Tooltip("low_pct:Q", title="Band, low [%]", format="+.2f"),
        alt.Tooltip("high_pct:Q", title="Band, high [%]", format="+.2f"),
        alt.Tooltip("baseline_kw:Q", title="Baseline [kW]", format=".1f"),
        alt.Tooltip("candidate_kw:Q", title="Candidate [kW]", format=".1f"),
    ]


def _line_ends(result: Comparison, values: pl.DataFrame, *, gap: float) -> pl.DataFrame:
    """Return a label at the end of each pull's line, at least one gap above the one below."""
    names = pull_names(result, "pct")
    ends = names.with_columns(
        pl.Series("at", [values[key].drop_nulls()[-1] for key in names["key"]]),
        rpm=pl.lit(result.band[1]),
    ).sort("at")
    return ends.with_columns(pl.Series("at", apart(ends["at"], gap))).select(
        "rpm", "at", "pull", "role"
    )
