"""One channel of the reference setup: its charts, its changes, its signals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from dynostats.analysis.monitor.changes import LEAST_SIDE, find_changes, measure_step
from dynostats.analysis.monitor.control import (
    D2,
    autocorrelation,
    chart_ewma,
    chart_individuals,
    within_limits,
)
from dynostats.analysis.monitor.result import CellEvent, Change, Chart, ChartName, Signal
from dynostats.analysis.monitor.scope import Scope
from dynostats.analysis.monitor.series import Series, calibrated_at, repeated, segments_of
from dynostats.analysis.monitor.words import say_change, say_signal
from dynostats.arrays import Floats

_NO_LIMITS = (
    *("low", "high", "moving_range", "moving_range_high"),
    *("ewma", "ewma_low", "ewma_high"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Studied:
    """One channel with its chart, its changes (found, and set by calibrations) and its signals.

    `least` is how many sessions between calibrations could show a change, `longest` how many there
    are at most.
    """

    series: Series
    chart: Chart
    changes: tuple[Change, ...]
    signals: tuple[Signal, ...]
    least: int
    longest: int


def study_channel(scope: Scope, series: Series, *, alpha: float) -> Studied:
    """Chart a channel and find its changes.

    Args:
        scope: Where it is from; its calibrations split the series whatever the numbers say.
        series: The channel.
        alpha: Chance of any change found where there is none.
    """
    moments = tuple(event.happened_at for event in scope.calibrations())
    calibrated = calibrated_at(series, moments)
    parts = segments_of(len(series), calibrated)
    tested = sum(part.stop - part.start >= 2 * LEAST_SIDE for part in parts)
    own_alpha = alpha / max(tested, 1)
    found = {
        part.start + split.place: split.p_value
        for part in parts
        for split in find_changes(series.values[part], alpha=own_alpha)
    }
    places = tuple(sorted({*calibrated, *found}))
    chart = _draw(scope, series, places)
    return Studied(
        series=series,
        chart=chart,
        changes=tuple(_change(scope, series, places, at, found.get(at)) for at in places),
        signals=_signals(chart, present=len(places) + 1),
        least=least_sessions(own_alpha),
        longest=max(part.stop - part.start for part in parts),
    )


def least_sessions(alpha: float) -> int:
    """Return how many sessions a change needs at least to be shown by reordering.

    Of n different values split in the middle, the most extreme orders are 2 (n/2)! (n/2)! of all
    n! orders.

    Example:
        >>> least_sessions(0.05)
        8
    """
    count = 2 * LEAST_SIDE
    while 2.0 / math.comb(count, count // 2) > alpha:
        count += 1
    return count


def _change(
    scope: Scope, series: Series, places: tuple[int, ...], place: int, p_value: float | None
) -> Change:
    """Return a change: found when it has a p value, else set by a calibration."""
    edges = [0, *places, len(series)]
    at = edges.index(place)
    before, after = series.values[edges[at - 1] : place], series.values[place : edges[at + 1]]
    step, low, high = (_as_charted(series, value) for value in measure_step(before, after))
    change = Change(
        channel=series.channel,
        kind="calibration" if p_value is None else "found",
        after_session=series.sessions[place - 1],
        before_session=series.sessions[place],
        not_before=series.dates[place - 1],
        not_after=series.dates[place],
        step=step or 0.0,
        low=low,
        high=high,
        unit=scope.unit_of(series.channel),
        p_value=p_value,
        events=tuple(event.event for event in _events_between(scope, series, place)),
        text="",
    )
    return say_change(change, _events_between(scope, series, place))


def _as_charted(series: Series, step: float | None) -> float | None:
    """Return a difference of log torque as percent; other channels as they are."""
    if step is None or series.channel != "torque":
        return step
    return 100.0 * math.expm1(step / 100.0)


def _events_between(scope: Scope, series: Series, place: int) -> tuple[CellEvent, ...]:
    first, last = series.dates[place - 1], series.dates[place]
    if first is None or last is None:
        return ()
    return tuple(event for event in scope.events if first < event.happened_at <= last)


def _draw(scope: Scope, series: Series, places: tuple[int, ...]) -> Chart:
    parts = segments_of(len(series), places)
    torque = series.channel == "torque"
    offset = float(series.values[parts[-1]].mean()) if torque else 0.0
    values = series.values - offset
    df = float((series.pulls - 1).sum())
    pooled = math.sqrt(float(series.within.sum()) / df) if df > 0.0 else None
    segments = [
        _segment(values[part], number).with_columns(_labels(series, part))
        for number, part in enumerate(parts, start=1)
    ]
    present = values[parts[-1]]
    unit = scope.unit_of(series.channel)
    return Chart(
        channel=series.channel,
        words=series.channel.replace("_", " "),
        unit=unit,
        level=math.exp(offset / 100.0) if torque else float(present.mean()),
        level_unit="N.m" if torque else unit,
        sigma=float(np.abs(np.diff(present)).mean()) / D2 if len(present) > 1 else None,
        sessions=len(present),
        autocorrelation=autocorrelation(present),
        within_sd=pooled,
        points=_with_signals(_with_within(pl.concat(segments), series, pooled)),
    )


def _labels(series: Series, part: slice) -> list[pl.Series]:
    dates: list[datetime | None] = list(series.dates[part])
    return [
        pl.Series("session", list(series.sessions[part])),
        pl.Series("date", dates, dtype=pl.Datetime("us")),
        pl.Series("pulls", series.pulls[part].astype(np.int64)),
    ]


def _segment(values: Floats, number: int) -> pl.DataFrame:
    """Return the values between two breaks with the limits they give."""
    count = len(values)
    columns: dict[str, Floats] = dict.fromkeys(_NO_LIMITS, np.full(count, np.nan))
    if count > 1:
        single = chart_individuals(values)
        average = chart_ewma(values, target=single.centre, sigma=single.sigma)
        columns = {
            "low": np.full(count, single.low),
            "high": np.full(count, single.high),
            "moving_range": single.ranges,
            "moving_range_high": np.full(count, single.range_high),
            "ewma": average.values,
            "ewma_low": average.low,
            "ewma_high": average.high,
        }
    named = {"value": values, "centre": np.full(count, values.mean())} | columns
    return pl.DataFrame(named).fill_nan(None).with_columns(segment=pl.lit(number))


def _with_within(frame: pl.DataFrame, series: Series, pooled: float | None) -> pl.DataFrame:
    """Add the SD within each session that has repeats, and its upper limit."""
    df: Floats = (series.pulls - 1).astype(np.float64)
    sd = np.where(repeated(series), np.sqrt(series.within / np.maximum(df, 1.0)), np.nan)
    high = np.full(len(df), np.nan) if pooled is None else within_limits(pooled, df)[1]
    return frame.with_columns(within_sd=pl.Series(sd), within_high=pl.Series(high)).fill_nan(None)


def _with_signals(frame: pl.DataFrame) -> pl.DataFrame:
    """Add which charts each session lies beyond the limits of."""
    beyond: dict[ChartName, pl.Expr] = {
        "individuals": (pl.col("value") > pl.col("high")) | (pl.col("value") < pl.col("low")),
        "moving_range": pl.col("moving_range") > pl.col("moving_range_high"),
        "ewma": (pl.col("ewma") > pl.col("ewma_high")) | (pl.col("ewma") < pl.col("ewma_low")),
        "within_session": pl.col("within_sd") > pl.col("within_high"),
    }
    named = [
        pl.when(test.fill_null(value=False)).then(pl.lit(name)) for name, test in beyond.items()
    ]
    order = (
        *("session", "date", "pulls", "value", "segment", "centre"),
        *_NO_LIMITS,
        *("within_sd", "within_high", "signal"),
    )
    return frame.with_columns(signal=pl.concat_list(named).list.drop_nulls()).select(order)


def _signals(chart: Chart, *, present: int) -> tuple[Signal, ...]:
    """Return what lies beyond the limits since the last change.

    A range alone is marked on its chart, but is no signal: of steady histories of 20 sessions one
    in nine has one (reports/monitor.md), and what matters in it shows on the other charts.
    """
    return tuple(
        Signal(
            channel=chart.channel,
            session=row["session"],
            date=row["date"],
            chart=name,
            text=say_signal(chart, row, name),
        )
        for row in chart.points.filter(pl.col("segment") == present).iter_rows(named=True)
        for name in row["signal"]
        if name != "moving_range"
    )
