"""Why it changed: the split as a bar from the baseline to the candidate, and by engine speed."""

from __future__ import annotations

import math
from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.attribution import Attribution, Part, Total
from dynostats.charts.axis import (
    SIGNED_LABEL,
    extent_with_air,
    name_heights,
    percent_axis,
    rpm_axis,
    zero_column,
    zero_rule,
)
from dynostats.charts.cooler import loss_chart
from dynostats.charts.theme import HEIGHT, MINUS, PALETTE, layered

_ROW_HEIGHT: Final = 54
_PART_HEIGHT: Final = 260
_NAME_SHARE: Final = 0.12
_NAMES: Final = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
# Where a phone has no room for the whole.
_SHORT: Final = {"charge_temperature": "charge temp."}
_SCHEMA: Final = {
    "label": pl.String,
    "from": pl.Float64,
    "to": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "kind": pl.String,
    "words": pl.String,
}
# A loss leans on its hue and on its place; what is unexplained is pale, the total is the
# candidate's own colour.
_LOOKS: Final = {
    "boost": ("candidate", [1, 0]),
    "charge temperature": ("loss", [7, 3]),
    "mixture": ("baseline", [2, 2]),
    "unexplained": ("muted", [9, 2, 2, 2]),
}
_CAUSES: Final = {
    "boost": "absolute manifold pressure",
    "charge_temperature": "absolute charge temperature",
    "mixture": "lambda",
}
_KINDS: Final = {"gain": "gain", "loss": "loss", "unexplained": "same", "total": "candidate"}


def split_charts(result: Attribution) -> dict[str, alt.LayerChart]:
    """Return every chart of an attribution, by its name on the page, as far as there is one."""
    charts: dict[str, alt.LayerChart] = {}
    if result.cooler is not None and result.cooler.by_flow.height:
        charts["loss"] = loss_chart(result.cooler)
    if not result.coefficients:
        return charts
    charts |= {"split": split_chart(result), "split_speed": split_speed_chart(result)}
    for name in shown_causes(result):
        charts[f"partial_{name}"] = partial_chart(result, name)
    return charts


def shown_causes(result: Attribution) -> tuple[str, ...]:
    """Return the causes that differences between pulls tell something of."""
    return tuple(
        one.name for one in result.coefficients if result.partial.filter(cause=one.name).height > 1
    )


def split_chart(result: Attribution) -> alt.LayerChart:
    """Return the parts one below another, each beginning where the one above ended.

    The thin lines are the intervals, each for itself; the last row is the whole difference.
    """
    rows = split_rows(result)
    low, high = extent_with_air(pl.concat([rows[name] for name in ("from", "to", "low", "high")]))
    x = alt.X(
        "from:Q",
        title="From the baseline to the candidate [%]",
        scale=alt.Scale(domain=[low, high], nice=False),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=6),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=None)
    color = alt.Color(
        "kind:N",
        scale=alt.Scale(domain=list(_KINDS), range=[PALETTE[name] for name in _KINDS.values()]),
        legend=None,
    )
    base = alt.Chart(rows)
    known = alt.Chart(rows.drop_nulls(["low", "high"]))
    # The words stand over their bar, from the left edge on: so a phone has room for them.
    words = base.mark_text(align="left", x=0, dy=-18).encode(y=y, text="words:N")
    halo = base.mark_text(align="left", x=0, dy=-18, stroke=PALETTE["paper"], strokeWidth=5).encode(
        y=y, text="words:N"
    )
    layers = [
        zero_column(),
        base.mark_bar(height=14).encode(x=x, x2="to:Q", y=y, color=color),
        # The interval lies under its bar, where no dark bar hides it.
        known.mark_rule(color=PALETTE["ink"], strokeWidth=1.5, yOffset=13).encode(
            x="low:Q", x2="high:Q", y=y
        ),
        *(
            known.mark_tick(color=PALETTE["ink"], thickness=1.5, size=8, yOffset=13).encode(
                x=f"{end}:Q", y=y
            )
            for end in ("low", "high")
        ),
        halo,
        words,
    ]
    return layered(layers, height=_ROW_HEIGHT * rows.height)


def split_speed_chart(result: Attribution) -> alt.LayerChart:
    """Return the parts over engine speed, each with its interval at each speed for itself."""
    rows = speed_rows(result)
    known = [rows[name] for name in ("effect_pct", "low_pct", "high_pct")]
    low, high = extent_with_air(pl.concat(known))
    shown = [name for name in _LOOKS if name in rows["part"].unique().to_list()]
    x = rpm_axis(result)
    y = percent_axis("effect_pct", title="Part of the difference [%]", domain=[low, high])
    inks = alt.Scale(domain=shown, range=[PALETTE[_LOOKS[name][0]] for name in shown])
    color = alt.Color("part:N", scale=inks, legend=None)
    fill = alt.Fill("part:N", scale=inks, legend=None)
    dash = alt.StrokeDash(
        "part:N",
        scale=alt.Scale(domain=shown, range=[_LOOKS[name][1] for name in shown]),
        legend=None,
    )
    # A name stands above the highest place of its line within the name's own width.
    last = pl.col("rpm") >= pl.col("rpm").max() - _NAME_SHARE * (
        pl.col("rpm").max() - pl.col("rpm").min()
    )
    ends = (
        rows.filter(last)
        .group_by("part", maintain_order=True)
        .agg(pl.col("rpm", "effect_pct").max())
    )
    placed = name_heights(ends, "effect_pct", extent=high - low, height=HEIGHT)
    names = alt.Chart(placed).mark_text(align="right", baseline="bottom", dy=-4)
    base = alt.Chart(rows)
    layers = [
        base.mark_area(opacity=0.13).encode(x=x, y="low_pct:Q", y2="high_pct:Q", fill=fill),
        zero_rule(),
        base.mark_line(strokeWidth=2.2).encode(x=x, y=y, color=color, strokeDash=dash),
        names.encode(x=x, y="at:Q", text="part:N", color=color),
    ]
    return layered(layers)


def speed_rows(result: Attribution) -> pl.DataFrame:
    """Return one row a part and grid speed: part, rpm, effect_pct, low_pct, high_pct."""
    names = {part.name: _NAMES[part.name] for part in result.parts}
    return pl.concat(
        result.curve.select(
            pl.lit(label).alias("part"),
            "rpm",
            pl.col(f"{name}_pct").alias("effect_pct"),
            pl.col(f"{name}_low_pct").alias("low_pct"),
            pl.col(f"{name}_high_pct").alias("high_pct"),
        )
        for name, label in names.items()
    )


def partial_chart(result: Attribution, cause: str) -> alt.LayerChart:
    """Return how torque follows one cause from pull to pull, the other causes taken out.

    The points are differences between pulls of one setup in one session; the line has the exponent
    that the split uses, the shading its interval.
    """
    points = result.partial.filter(cause=cause)
    one = next(c for c in result.coefficients if c.name == cause)
    low, high = extent_with_air(points["change_pct"])
    ends = pl.DataFrame({"change_pct": [low, 0.0, high]}).with_columns(
        torque_pct=one.estimate * pl.col("change_pct"),
        one_pct=one.low * pl.col("change_pct"),
        other_pct=one.high * pl.col("change_pct"),
    )
    x = alt.X(
        "change_pct:Q",
        title=f"Difference in {_CAUSES[cause]} [%]",
        scale=alt.Scale(domain=[low, high], nice=False),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=6),
    )
    every = pl.concat([points["torque_pct"], ends["one_pct"], ends["other_pct"]])
    title = "Difference in torque, the other causes taken out [%]"
    y = percent_axis("torque_pct", title=title, domain=list(extent_with_air(every)))
    line = alt.Chart(ends)
    layers = [
        line.mark_area(color=PALETTE["band"], opacity=0.28).encode(
            x=x, y="one_pct:Q", y2="other_pct:Q"
        ),
        zero_rule(),
        line.mark_line(color=PALETTE["candidate"], strokeWidth=2.2).encode(x=x, y=y),
        alt.Chart(points)
        .mark_point(color=PALETTE["ink"], size=32, strokeWidth=1.3)
        .encode(x=x, y=y),
    ]
    return layered(layers, height=_PART_HEIGHT)


def split_rows(result: Attribution) -> pl.DataFrame:
    """Return one row a bar: label, from, to, low, high (percent of the baseline), kind, words."""
    rows: list[dict[str, object]] = []
    start = 0.0
    for part in result.parts:
        label = _SHORT.get(part.name, _NAMES[part.name])
        kind = "gain" if part.log_pct >= 0 else "loss"
        if part.name == "unexplained":
            kind = "unexplained"
        elif part.assumed:
            label += " (assumed)"
        # Bars are placed on the log scale, on which the parts add up, and shown in percent.
        rows.append(_row(label, part, start, kind))
        start += part.log_pct
    rows.append(_row("whole difference", result.total, 0.0, "total"))
    return pl.DataFrame(rows, schema=_SCHEMA)


def _row(label: str, of: Part | Total, start: float, kind: str) -> dict[str, object]:
    begin, end = _percent(start), _percent(start + of.log_pct)
    # The bar's own width is its percent of the baseline; its interval stands about its end.
    reach = (
        (None, None)
        if of.low_pct is None or of.high_pct is None
        else (end + of.low_pct - of.effect_pct, end + of.high_pct - of.effect_pct)
    )
    return {
        "label": label,
        "from": begin,
        "to": end,
        "low": reach[0],
        "high": reach[1],
        "kind": kind,
        "words": f"{label}: {_words(of)}",
    }


def _percent(log_pct: float) -> float:
    return 100.0 * math.expm1(log_pct / 100.0)


def _words(of: Part | Total) -> str:
    text = f"{_signed(of.effect_pct)}%"
    if of.low_pct is None or of.high_pct is None:
        return f"{text} (interval unknown)"
    return f"{text} ({_signed(of.low_pct)} to {_signed(of.high_pct)}%)"


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", MINUS)
