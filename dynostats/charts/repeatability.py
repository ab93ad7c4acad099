"""The noise of a cell over engine speed: how far pulls repeat, and how far days differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.repeatability import LEAST_TO_TELL, Repeatability
from dynostats.charts.theme import HEIGHT, PALETTE, WIDTH, layered

_LABEL_ROOM: Final = 210
_LABEL_HEIGHT: Final = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """How one column of the curve is drawn."""

    column: str
    words: str
    color: str
    dash: tuple[int, int]
    width: float


# The two limits are drawn heavier: a difference of two pulls is held against them.
_LINES: Final = (
    _Line(
        column="pull_sd_pct",
        words="SD from pull to pull",
        color="candidate",
        dash=(1, 0),
        width=1.4,
    ),
    _Line(
        column="session_sd_pct",
        words="SD from session to session",
        color="baseline",
        dash=(1, 0),
        width=1.4,
    ),
    _Line(
        column="repeatability_limit_pct",
        words="limit of two pulls in one session",
        color="candidate",
        dash=(6, 3),
        width=2.4,
    ),
    _Line(
        column="reproducibility_limit_pct",
        words="limit of two pulls in two sessions",
        color="baseline",
        dash=(6, 3),
        width=2.4,
    ),
)


def repeatability_chart(result: Repeatability) -> alt.LayerChart:
    """Return both SDs and both limits for the difference of two single pulls, over engine speed.

    Speeds that hardly any repeated pull reached are left out where others are known better: their
    limits are so wide that nothing else could be read.
    """
    curve = _well_known(result.curve)
    seen = [line for line in _LINES if curve[line.column].count()]
    top = 1.08 * max(float(curve[line.column].drop_nulls().to_numpy().max()) for line in seen)
    x = alt.X(
        "rpm:Q",
        title="Engine speed [rpm]",
        scale=alt.Scale(domain=[curve["rpm"][0], curve["rpm"][-1]], nice=False, zero=False),
        axis=alt.Axis(format=",d", tickCount=8),
    )
    layers = [
        alt.Chart(curve.select("rpm", "pull_sd_low_pct", "pull_sd_high_pct"))
        .mark_area(color=PALETTE["band"], opacity=0.3, clip=True)
        .encode(x=x, y=_percent("pull_sd_low_pct", top), y2="pull_sd_high_pct:Q"),
        *(_draw(curve, line, x, top) for line in seen),
        *_labels(curve, seen, top),
    ]
    return layered(layers, width=WIDTH - _LABEL_ROOM, height=HEIGHT)


def _well_known(curve: pl.DataFrame) -> pl.DataFrame:
    known = curve.filter(pl.col("pull_df") >= LEAST_TO_TELL)
    return curve if known.height < 2 else known


def _percent(field: str, top: float) -> alt.Y:
    return alt.Y(
        f"{field}:Q",
        title="Percent of torque or power [%]",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(tickCount=6),
    )


def _draw(curve: pl.DataFrame, line: _Line, x: alt.X, top: float) -> alt.Chart:
    return (
        alt.Chart(curve.select("rpm", line.column).drop_nulls())
        .mark_line(
            color=PALETTE[line.color], strokeDash=list(line.dash), strokeWidth=line.width, clip=True
        )
        .encode(x=x, y=_percent(line.column, top))
    )


def _labels(curve: pl.DataFrame, lines: list[_Line], top: float) -> list[alt.Chart]:
    """Return the lines' names right of their ends, from the lowest up, none over another."""
    ends = sorted(
        ((float(curve[line.column].drop_nulls()[-1]), line) for line in lines),
        key=lambda end: end[0],
    )
    labels: list[alt.Chart] = []
    free = float(HEIGHT)
    for value, line in ends:
        y = min(HEIGHT * (1 - value / top), free)
        free = y - _LABEL_HEIGHT
        labels.append(
            alt.Chart(pl.DataFrame({"words": [line.words]}))
            .mark_text(align="left", x="width", y=y, dx=6, color=PALETTE[line.color])
            .encode(text="words:N")
        )
    return labels
