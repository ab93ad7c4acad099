"""All past studies as a forest: each by itself, beside its fellows, and its kind together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.synthesis import History, KindFinding
from dynostats.charts.axis import SIGNED_LABEL, extent_with_air
from dynostats.charts.theme import MINUS, PALETTE, WIDTH, layered

_ROW_HEIGHT: Final = 25
_LABEL_ROOM: Final = 250
MOST_SHOWN: Final = 60
"""More studies than this are not drawn; the tables have all."""

_SCHEMA: Final = {
    "label": pl.String,
    "of": pl.String,
    "effect": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "left": pl.Float64,
    "next_low": pl.Float64,
    "next_high": pl.Float64,
    "words": pl.String,
}
_COLORS: Final = {"found": "candidate", "study": "axis", "kind": "gain"}


def forest_chart(result: History) -> alt.LayerChart:
    """Return one row a study with its interval, and one a kind of change.

    Filled points are the studies by themselves, dark where they stand out among all; rings are
    what is left of them beside their fellows; diamonds are means of a kind with their interval, on
    a pale bar that holds the next engine's effect.
    """
    rows = forest_rows(result)
    names = ("effect", "low", "high", "left", "next_low", "next_high")
    low, high = extent_with_air(
        pl.concat([rows[name] for name in names] + [pl.Series([0.0])]).drop_nulls()
    )
    x = alt.X(
        "effect:Q",
        title="Effect, mean over the band [%]",
        scale=alt.Scale(domain=[low, high], nice=False, clamp=True),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=7, grid=True, orient="top"),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=_LABEL_ROOM))
    color = alt.Color(
        "of:N",
        scale=alt.Scale(domain=list(_COLORS), range=[PALETTE[name] for name in _COLORS.values()]),
        legend=None,
    )
    tooltip = [alt.Tooltip("label:N", title="What"), alt.Tooltip("words:N", title="Effect")]
    base = alt.Chart(rows)
    studies = alt.Chart(rows.filter(pl.col("of") != "kind"))
    kinds = alt.Chart(rows.filter(of="kind"))
    zero = alt.Chart(pl.DataFrame({"at": [0.0]}))
    layers = [
        # Every row has its place, in this order, whatever the layers above it lack.
        base.mark_point(opacity=0).encode(x=x, y=y, tooltip=tooltip),
        kinds.mark_bar(color=PALETTE["same"], height=11).encode(
            x="next_low:Q", x2="next_high:Q", y=y
        ),
        zero.mark_rule(color=PALETTE["ink"]).encode(x="at:Q"),
        studies.mark_rule(strokeWidth=1.4).encode(x="low:Q", x2="high:Q", y=y, color=color),
        kinds.mark_rule(strokeWidth=3).encode(x="low:Q", x2="high:Q", y=y, color=color),
        studies.mark_point(filled=True, size=45, opacity=1).encode(x=x, y=y, color=color),
        studies.mark_point(
            filled=False, size=90, opacity=1, color=PALETTE["loss"], strokeWidth=1.6
        ).encode(x="left:Q", y=y),
        kinds.mark_point(filled=True, shape="diamond", size=130, opacity=1).encode(
            x=x, y=y, color=color
        ),
    ]
    return layered(
        layers, width=WIDTH - _LABEL_ROOM, height=max(_ROW_HEIGHT * rows.height, 3 * _ROW_HEIGHT)
    )


def forest_rows(result: History) -> pl.DataFrame:
    """Return one row a bar, kind by kind, with what is drawn on it."""
    shown = result.studies.drop_nulls("p_value").head(MOST_SHOWN)
    rows: list[dict[str, object]] = []
    for kind in result.kinds:
        own = shown.filter(kind=kind.kind)
        rows += _study_rows(own, result.studies)
        rows += _kind_row(kind)
    rows += _study_rows(shown.filter(pl.col("kind").is_null()), result.studies)
    return pl.DataFrame(rows, schema=_SCHEMA)


def _study_rows(own: pl.DataFrame, every: pl.DataFrame) -> Iterator[dict[str, object]]:
    for row in own.iter_rows(named=True):
        twice = every.filter(engine=row["engine"], candidate=row["candidate"]).height > 1
        against = f" against {row['baseline']}" if twice else ""
        yield {
            "label": f"{row['candidate']}{against}, {row['engine']}",
            "of": "found" if row["found"] else "study",
            "effect": row["effect_pct"],
            "low": row["low_pct"],
            "high": row["high_pct"],
            "left": row["shrunken_pct"],
            "words": _words(row["effect_pct"], row["low_pct"], row["high_pct"]),
        }


def _kind_row(kind: KindFinding) -> Iterator[dict[str, object]]:
    if kind.effect_pct is None or kind.low_pct is None or kind.high_pct is None:
        return
    yield {
        "label": f"{kind.kind}: {kind.engines} engines",
        "of": "kind",
        "effect": kind.effect_pct,
        "low": kind.low_pct,
        "high": kind.high_pct,
        "next_low": kind.prediction_low_pct,
        "next_high": kind.prediction_high_pct,
        "words": _words(kind.effect_pct, kind.low_pct, kind.high_pct),
    }


def _words(effect: float, low: float, high: float) -> str:
    return f"{effect:+.2f}% ({low:+.2f} to {high:+.2f}%)".replace("-", MINUS)
