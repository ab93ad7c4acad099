"""The test cell itself: pulls in run order, and its noise against the difference."""

from __future__ import annotations

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.charts.axis import ROLES, SIGNED_LABEL, role_color
from dynostats.charts.theme import MINUS, PALETTE, WIDTH, layered

_ORDER_HEIGHT = 260

# Room for the setups' names right of the last pull, as a share of the room the pulls take.
_LABEL_ROOM = 0.3


def run_order_chart(result: Comparison) -> alt.LayerChart:
    """Return the band mean of every pull in run order; excluded pulls are crosses at the foot."""
    pulls = _ordered(result.pull_table)
    shown = pulls.filter(pl.col("role").is_in(ROLES)).drop_nulls("mean_kw")
    x = _place_axis(pulls.height)
    y = alt.Y(
        "mean_kw:Q",
        title="Mean power over the range [kW]",
        scale=alt.Scale(zero=False, nice=False, padding=34),
        axis=alt.Axis(tickCount=5),
    )
    points = alt.Chart(shown)
    shape = alt.Shape(
        "role:N", legend=None, scale=alt.Scale(domain=ROLES, range=["circle", "square"])
    )
    layers = [
        _session_mean_lines(shown),
        *_setup_labels(shown),
        points.mark_point(size=95, filled=True, opacity=1).encode(
            x=x, y=y, color=role_color(), shape=shape, tooltip=_pull_tooltip()
        ),
        _pull_labels(points, pulls.height).encode(x=x, y=y, color=role_color()),
        *_void_layers(pulls, x),
        *_session_layers(pulls, x),
    ]
    return layered(layers, height=_ORDER_HEIGHT)


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
    return layered(layers, width=WIDTH - 150, height=40 * rows.height)


def _ordered(table: pl.DataFrame) -> pl.DataFrame:
    """Return the pulls with their place in the study, counted from 1 in the table's order."""
    columns = ["pull", "session", "setup", "role", "state", "why", "mean_kw", "mean_nm"]
    return table.select(pl.int_range(1, pl.len() + 1).alias("place"), *columns)


def _place_axis(n_pulls: int) -> alt.X:
    """Return the run-order axis, with room at its right end for the setups' names."""
    step = -(-n_pulls // 20)
    return alt.X(
        "place:Q",
        title="Pull, in the order run",
        scale=alt.Scale(domain=[0.4, 0.6 + n_pulls * (1 + _LABEL_ROOM)], nice=False, zero=False),
        axis=alt.Axis(values=list(range(1, n_pulls + 1, step)), format="d", grid=False),
    )


def _session_mean_lines(shown: pl.DataFrame) -> alt.Chart:
    """Return each setup's mean within each session, drawn over that session's pulls.

    A mean over sessions would mix the setups' difference with the sessions'.
    """
    extent = shown.group_by("session", maintain_order=True).agg(
        (pl.col("place").min() - 0.4).alias("first"), (pl.col("place").max() + 0.4).alias("last")
    )
    means = shown.group_by("session", "role", maintain_order=True).agg(pl.col("mean_kw").mean())
    return (
        alt.Chart(means.join(extent, on="session", maintain_order="left"))
        .mark_rule(strokeWidth=1.2, opacity=0.8, strokeDash=[5, 3])
        .encode(x="first:Q", x2="last:Q", y="mean_kw:Q", color=role_color())
    )


def _setup_labels(shown: pl.DataFrame) -> list[alt.Chart]:
    """Return the setups' names right of the pulls, at the height of their last session's mean."""
    means = (
        shown.group_by("role", "session", maintain_order=True)
        .agg(pl.col("mean_kw").mean(), pl.col("setup").first())
        .group_by("role", maintain_order=True)
        .last()
        .sort("mean_kw")
    )
    room = _LABEL_ROOM / (1 + _LABEL_ROOM)
    return [
        alt.Chart(means[row])
        .mark_text(
            align="right",
            x={"expr": "width"},
            # The lower name hangs below its line, the higher stands above.
            dy=9 if row == 0 else -5,
            fontWeight=600,
            limit={"expr": f"width * {room:.3f}"},
        )
        .encode(y="mean_kw:Q", text="setup:N", color=role_color())
        for row in range(means.height)
    ]


def _pull_labels(points: alt.Chart, n_pulls: int) -> alt.Chart:
    """Return the pulls' names over their points, where this screen is wide enough for them."""
    return (
        points.transform_calculate(shown=f"width > {34 * n_pulls} ? datum.pull : ''")
        .mark_text(dy=-13, fontSize=11, limit=60)
        .encode(text="shown:N")
    )


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
    """Return the name of each session over its pulls, and a line before each."""
    starts = (
        pulls.with_columns(run=pl.col("session").rle_id())
        .group_by("run", maintain_order=True)
        .agg(
            (pl.col("place").first() - 0.5).alias("place"),
            pl.col("session").first(),
            (pl.len() / (pulls.height * (1 + _LABEL_ROOM))).alias("share"),
        )
        .with_columns(words=pl.format("session {}", "session"))
    )
    base = alt.Chart(starts)
    return [
        base.mark_rule(color=PALETTE["axis"], strokeDash=[1, 3]).encode(x=x),
        base.mark_text(
            align="left",
            baseline="top",
            y=3,
            dx=4,
            color=PALETTE["muted"],
            fontSize=11,
            limit={"expr": "datum.share * width - 8"},
        ).encode(x=x, text="words:N"),
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
        ("one pull, same session", noise.pull_sd_pct, "SD"),
        ("from session to session", noise.session_sd_pct, "SD"),
        ("drift from pull to pull", noise.drift_bound_pct, "at most"),
    ]
    rows = [
        {
            "label": label,
            "kind": "noise",
            "low_pct": -sd,
            "middle_pct": 0.0,
            "high_pct": sd,
            "words": f"{what} {sd:.2f}%",
        }
        for label, sd, what in spreads
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
            "words": f"{effect:+.1f}%".replace("-", MINUS),
        }
    )
    return pl.DataFrame(rows)
