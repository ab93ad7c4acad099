"""The test cell itself: pulls in run order, and its noise against the difference."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import ROLES, SIGNED_LABEL, role_color
from dynostats.charts.theme import PALETTE, WIDTH, dress

_ORDER_HEIGHT = 260


def run_order_chart(result: Comparison) -> alt.LayerChart:
    """Return the band mean of every pull in run order; excluded pulls are crosses at the foot."""
    pulls = _ordered(result.pull_table)
    shown = pulls.filter(pl.col("role").is_in(ROLES))
    x = alt.X(
        "place:O",
        title="Pull, in the order run",
        axis=alt.Axis(labelAngle=0, labelExpr="datum.value"),
    )
    y = alt.Y(
        "mean_kw:Q",
        title="Mean power over the range [kW]",
        scale=alt.Scale(zero=False, nice=False, padding=34),
        axis=alt.Axis(tickCount=5),
    )
    points = alt.Chart(shown.drop_nulls("mean_kw"))
    shape = alt.Shape(
        "role:N", legend=None, scale=alt.Scale(domain=ROLES, range=["circle", "square"])
    )
    layers = [
        _mean_rules(result),
        *_mean_labels(result),
        points.mark_point(size=95, filled=True, opacity=1).encode(
            x=x, y=y, color=role_color(), shape=shape, tooltip=_pull_tooltip()
        ),
        points.mark_text(dy=-13, fontSize=11, limit=60).encode(
            x=x, y=y, text="pull:N", color=role_color()
        ),
        *_void_layers(pulls, x),
        *_session_layers(pulls, x),
    ]
    return dress(alt.layer(*layers).properties(width=WIDTH, height=_ORDER_HEIGHT))


def noise_chart(result: Comparison) -> alt.LayerChart:
    """Return the noise of the cell and the difference found on one percent axis."""
    rows = _noise_rows(result)
    values = [v for name in ("low_pct", "high_pct") for v in rows[name].to_list()]
    span = max(abs(value) for value in [*values, result.margin_pct]) * 1.15
    x = alt.X(
        "low_pct:Q",
        title="Percent of the baseline [%]",
        scale=alt.Scale(domain=[-span, span]),
        axis=alt.Axis(labelExpr=SIGNED_LABEL, tickCount=7, grid=True),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=190, labelFontSize=12))
    color = alt.Color(
        "kind:N",
        legend=None,
        scale=alt.Scale(
            domain=["noise", "difference"], range=[PALETTE["axis"], PALETTE["candidate"]]
        ),
    )
    base = alt.Chart(rows)
    layers = [
        alt.Chart(pl.DataFrame({"at": [0.0]})).mark_rule(color=PALETTE["ink"]).encode(x="at:Q"),
        base.mark_bar(height=12).encode(x=x, x2="high_pct:Q", y=y, color=color),
        base.mark_tick(color=PALETTE["ink"], thickness=2, height=20).encode(x="middle_pct:Q", y=y),
        base.mark_text(align="left", dx=7, fontSize=12).encode(x="high_pct:Q", y=y, text="words:N"),
    ]
    return dress(alt.layer(*layers).properties(width=WIDTH - 150, height=40 * rows.height))


def _ordered(table: pl.DataFrame) -> pl.DataFrame:
    """Return the pulls with their place in the study, counted from 1 in the table's order."""
    columns = ["pull", "session", "setup", "role", "state", "why", "mean_kw", "mean_nm"]
    return table.select(pl.int_range(1, pl.len() + 1).alias("place"), *columns)


def _setup_means(result: Comparison) -> pl.DataFrame:
    used = result.pull_table.filter(pl.col("role").is_in(ROLES)).drop_nulls("mean_kw")
    return used.group_by("role", maintain_order=True).agg(
        pl.col("mean_kw").mean(), pl.col("setup").first()
    )


def _mean_rules(result: Comparison) -> alt.Chart:
    return (
        alt.Chart(_setup_means(result))
        .mark_rule(strokeWidth=1.2, opacity=0.8, strokeDash=[5, 3])
        .encode(y="mean_kw:Q", color=role_color())
    )


def _mean_labels(result: Comparison) -> list[alt.Chart]:
    """Return the setups' names on their mean lines, the higher above, the lower below."""
    means = _setup_means(result).sort("mean_kw")
    return [
        alt.Chart(means[row])
        .mark_text(
            align="left", x=4, dy=12 if row == 0 else -8, fontSize=12, fontWeight=600, limit=320
        )
        .encode(y="mean_kw:Q", text="setup:N", color=role_color())
        for row in range(means.height)
    ]


def _void_layers(pulls: pl.DataFrame, x: alt.X) -> list[alt.Chart]:
    void = pulls.filter(pl.col("mean_kw").is_null())
    if void.is_empty():
        return []
    base = alt.Chart(void.with_columns(words=pl.lit("excluded")))
    return [
        base.mark_point(
            shape="cross",
            angle=45,
            size=90,
            filled=True,
            color=PALETTE["muted"],
            y=_ORDER_HEIGHT - 22,
        ).encode(
            x=x,
            tooltip=[
                alt.Tooltip("pull:N", title="Pull"),
                alt.Tooltip("setup:N", title="Setup"),
                alt.Tooltip("why:N", title="Excluded because"),
            ],
        ),
        base.mark_text(color=PALETTE["muted"], fontSize=11, y=_ORDER_HEIGHT - 6).encode(
            x=x, text="words:N"
        ),
    ]


def _session_layers(pulls: pl.DataFrame, x: alt.X) -> list[alt.Chart]:
    """Return the name of each session over its first pull, and a line between sessions."""
    firsts = pulls.filter(
        pl.col("session").ne_missing(pl.col("session").shift(1)).fill_null(value=True)
    )
    base = alt.Chart(firsts.with_columns(words=pl.format("session {}", "session")))
    return [
        base.mark_text(
            align="left",
            y=4,
            dx=-12,
            baseline="top",
            color=PALETTE["muted"],
            fontSize=11,
            limit=160,
        ).encode(x=x, text="words:N"),
        *(
            [
                alt.Chart(firsts[1:])
                .mark_rule(color=PALETTE["axis"], strokeDash=[1, 3], xOffset=-16)
                .encode(x=x)
            ]
            if firsts.height > 1
            else []
        ),
    ]


def _pull_tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("pull:N", title="Pull"),
        alt.Tooltip("setup:N", title="Setup"),
        alt.Tooltip("session:N", title="Session"),
        alt.Tooltip("mean_kw:Q", title="Mean power [kW]", format=".2f"),
        alt.Tooltip("mean_nm:Q", title="Mean torque [N·m]", format=".2f"),
    ]


def _noise_rows(result: Comparison) -> pl.DataFrame:
    overall, noise = result.overall, result.noise
    spreads = [
        ("one pull, same session", noise.pull_sd_pct),
        ("from session to session", noise.session_sd_pct),
        ("drift from pull to pull", noise.drift_sd_pct),
    ]
    rows = [
        {
            "label": label,
            "kind": "noise",
            "low_pct": -sd,
            "middle_pct": 0.0,
            "high_pct": sd,
            "words": f"SD {sd:.2f}%",
        }
        for label, sd in spreads
        if sd is not None
    ]
    effect = overall.effect_pct
    rows.append(
        {
            "label": "difference found",
            "kind": "difference",
            "low_pct": effect if overall.low_pct is None else overall.low_pct,
            "middle_pct": effect,
            "high_pct": effect if overall.high_pct is None else overall.high_pct,
            "words": f"{effect:+.1f}%".replace("-", "−"),
        }
    )
    return pl.DataFrame(rows)
