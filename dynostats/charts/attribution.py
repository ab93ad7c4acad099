"""Why it changed: the split as a bar from the baseline to the candidate, and by engine speed."""

from __future__ import annotations

import math
from typing import Final

import altair as alt
import polars as pl

from dynostats.analysis.attribution import Attribution, Part, Total
from dynostats.charts.axis import SIGNED_LABEL, extent_with_air
from dynostats.charts.theme import MINUS, PALETTE, WIDTH, layered

_ROW_HEIGHT: Final = 46
_LABEL_ROOM: Final = 150
_NAMES: Final = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
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
_KINDS: Final = {"gain": "gain", "loss": "loss", "unexplained": "same", "total": "candidate"}


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
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=6, grid=True),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=_LABEL_ROOM))
    color = alt.Color(
        "kind:N",
        scale=alt.Scale(domain=list(_KINDS), range=[PALETTE[name] for name in _KINDS.values()]),
        legend=None,
    )
    base = alt.Chart(rows)
    zero = alt.Chart(pl.DataFrame({"at": [0.0]}))
    layers = [
        zero.mark_rule(color=PALETTE["ink"]).encode(x="at:Q"),
        base.mark_bar(height=16).encode(x=x, x2="to:Q", y=y, color=color),
        base.mark_rule(color=PALETTE["ink"], strokeWidth=1.2).encode(x="low:Q", x2="high:Q", y=y),
        base.mark_text(dy=-15).encode(x=alt.XValue((WIDTH - _LABEL_ROOM) / 2), y=y, text="words:N"),
    ]
    return layered(layers, width=WIDTH - _LABEL_ROOM, height=_ROW_HEIGHT * rows.height)


def split_rows(result: Attribution) -> pl.DataFrame:
    """Return one row a bar: label, from, to, low, high (percent of the baseline), kind, words."""
    rows: list[dict[str, object]] = []
    start = 0.0
    for part in result.parts:
        label = _NAMES[part.name]
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
        "words": _words(of),
    }


def _percent(log_pct: float) -> float:
    return 100.0 * math.expm1(log_pct / 100.0)


def _words(of: Part | Total) -> str:
    text = _signed(of.effect_pct)
    if of.low_pct is None or of.high_pct is None:
        return f"{text} (interval unknown)"
    return f"{text} ({_signed(of.low_pct)} to {_signed(of.high_pct)})"


def _signed(value: float) -> str:
    return f"{value:+.2f}%".replace("-", MINUS)
