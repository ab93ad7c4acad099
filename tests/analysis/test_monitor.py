"""A reference setup over time: what changed, when, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from dynostats.analysis.monitor import (
    CellEvent,
    Scope,
    monitor_cell,
    read_breaks,
    warn_compared,
    warn_history,
)
from dynostats.errors import AnalysisError

RPM = np.arange(2000.0, 4001.0, 50.0)
START = datetime(2025, 1, 6, 9)  # noqa: DTZ001 - the shop's clock
WEEK = timedelta(days=7)


def scope_of(levels, *, pulls=2, sd=0.1, seed=1, events=(), channels=None):
    """Return a reference setup whose sessions lie at given levels, percent of 300 N.m."""
    rng = np.random.default_rng(seed)
    rows, curves = [], []
    for week, level in enumerate(levels):
        for order in range(pulls):
            name = f"P{len(rows) + 1}"
            rows.append((name, f"w{week:02d}", START + week * WEEK + order * timedelta(minutes=12)))
            torque = 300.0 * np.exp((level + rng.normal(0.0, sd)) / 100.0) + 0.0 * RPM
            columns = {"pull": [name] * len(RPM), "rpm": RPM, "torque": torque}
            for channel, values in (channels or {}).items():
                columns[channel] = np.full(len(RPM), values[week])
            curves.append(pl.DataFrame(columns))
    frame = pl.concat(curves)
    absent = {"manifold_pressure", "lambda", "fuel_pressure", "oil_pressure"} - set(frame.columns)
    return Scope(
        dyno="cell-1",
        engine="mill",
        setup="ref",
        pulls=pl.DataFrame(rows, schema=["pull", "session", "started"], orient="row"),
        curves=frame.with_columns(**dict.fromkeys(absent, pl.lit(None, dtype=pl.Float64))),
        events=tuple(events),
        units={"fuel_pressure": "kPa"},
    )


def event(week, kind="calibration", name="E1", what="dead weights"):
    return CellEvent(
        event=name, dyno="cell-1", kind=kind, happened_at=START + week * WEEK, what=what, who="Ada"
    )


def steady(count, seed=2, sd=0.4):
    return np.random.default_rng(seed).normal(0.0, sd, count)


def test_a_step_is_found_with_its_dates_and_its_size():
    levels = steady(20)
    levels[12:] += 2.0
    found = monitor_cell(scope_of(levels))
    assert found.verdict == "changed"
    assert found.changed
    (change,) = found.changes
    assert (change.after_session, change.before_session) == ("w11", "w12")
    assert change.not_before == START + 11 * WEEK
    assert change.not_after == START + 12 * WEEK
    assert change.low < 2.0 < change.high
    assert change.unit == "%"
    assert "between w11 (2025-03-24) and w12 (2025-03-31)" in found.answer
    assert "Nothing was logged in between" in change.text
    assert found.charts[0].points["segment"].to_list() == [1] * 12 + [2] * 8
    assert found.charts[0].sessions == 8


def test_a_steady_cell_shows_no_change():
    found = monitor_cell(scope_of(steady(20)))
    assert found.verdict == "no_change_shown"
    assert found.changes == ()
    assert "A change too small to see is possible" in found.answer


def test_an_event_in_between_is_named():
    levels = steady(20)
    levels[12:] += 2.0
    found = monitor_cell(scope_of(levels, events=[event(11.5, "repair", what="brake bearing")]))
    (change,) = found.changes
    assert change.events == ("E1",)
    assert "Logged in between: repair E1 (brake bearing)" in change.text


def test_a_calibration_splits_the_history_whatever_the_numbers_say():
    found = monitor_cell(scope_of(steady(20), events=[event(9.5)]))
    (change,) = found.changes
    assert change.kind == "calibration"
    assert change.p_value is None
    assert change.low < 0.0 < change.high
    assert found.verdict == "no_change_shown"
    assert found.charts[0].points["segment"].to_list() == [1] * 10 + [2] * 10
    values = found.charts[0].points.filter(segment=2)
    assert values["centre"].to_numpy() == pytest.approx(values["value"].to_numpy().mean())


@pytest.mark.parametrize("week", [-1.0, 25.0])
def test_a_calibration_outside_the_history_splits_nothing(week):
    assert monitor_cell(scope_of(steady(20), events=[event(week)])).changes == ()


def test_one_odd_session_is_a_signal_and_no_change():
    levels = steady(20)
    levels[9] += 4.0
    found = monitor_cell(scope_of(levels))
    assert found.verdict == "signals"
    assert {signal.session for signal in found.signals if signal.chart == "individuals"} == {"w09"}
    assert "w09" in found.answer


def test_a_session_that_scatters_is_told():
    scope = scope_of(steady(20), pulls=3, sd=0.1)
    noisy = scope.pulls.filter(session="w07")["pull"].to_list()
    factor = dict(zip(noisy, (0.98, 1.0, 1.02), strict=True))
    scaled = scope.curves.with_columns(
        torque=pl.col("torque") * pl.col("pull").replace_strict(factor, default=1.0)
    )
    found = monitor_cell(replace(scope, curves=scaled))
    within = [signal for signal in found.signals if signal.chart == "within_session"]
    assert [signal.session for signal in within] == ["w07"]


def test_too_few_sessions_are_no_answer():
    found = monitor_cell(scope_of([0.0, 0.1, 5.0, 5.1]))
    assert found.verdict == "too_few_sessions"
    assert not found.changed
    assert any("cannot show a change at all: 8 without" in text for text in found.warnings)


def test_one_session_has_no_limits():
    found = monitor_cell(scope_of([0.0]))
    assert found.verdict == "too_few_sessions"
    assert found.charts[0].sigma is None
    assert found.charts[0].points["low"].to_list() == [None]


def test_few_sessions_and_sessions_that_follow_one_another_are_told():
    drift = np.cumsum(steady(12, seed=5, sd=0.3))
    warnings = " ".join(monitor_cell(scope_of(drift)).warnings)
    assert "with fewer than 20 they raise more false alarms" in warnings
    steady_warnings = " ".join(monitor_cell(scope_of(steady(24))).warnings)
    assert "with fewer than 20" not in steady_warnings
    assert "not independent" not in steady_warnings
    wave = 2.0 * np.sin(np.arange(24) / 3.0)
    found = monitor_cell(replace(scope_of(wave), events=()))
    assert found.charts[0].points.height == 24
    assert found.changed or "not independent" in " ".join(found.warnings)


def test_channels_share_the_chance_of_a_false_change():
    pressure = 400.0 + steady(20, seed=3, sd=1.0)
    pressure[10:] -= 8.0
    found = monitor_cell(scope_of(steady(20), channels={"fuel_pressure": pressure}))
    assert [chart.channel for chart in found.charts] == ["torque", "fuel_pressure"]
    (change,) = found.changes
    assert (change.channel, change.unit) == ("fuel_pressure", "kPa")
    assert change.step == pytest.approx(-8.0, abs=1.5)
    assert found.charts[1].level_unit == "kPa"


def test_an_odd_session_of_another_channel_is_listed_but_no_verdict():
    pressure = 400.0 + steady(20, seed=3, sd=1.0)
    pressure[7] -= 12.0
    found = monitor_cell(scope_of(steady(20), channels={"fuel_pressure": pressure}))
    assert {(one.channel, one.session) for one in found.signals} == {("fuel_pressure", "w07")}
    assert found.verdict == "no_change_shown"


def test_sessions_without_dates_keep_the_order_they_were_stored_in():
    scope = scope_of(steady(10), events=[event(4.5)])
    undated = scope.pulls.with_columns(
        started=pl.when(pl.col("session") == "w03").then(None).otherwise("started")
    )
    found = monitor_cell(replace(scope, pulls=undated))
    assert found.charts[0].points["session"].to_list() == [f"w{week:02d}" for week in range(10)]
    assert found.changes == ()
    assert any("events cannot be placed" in text for text in found.warnings)


def test_dates_and_not_the_order_of_storing_decide():
    scope = scope_of(steady(10))
    found = monitor_cell(replace(scope, pulls=scope.pulls.reverse()))
    assert found.charts[0].points["session"].to_list() == [f"w{week:02d}" for week in range(10)]


def test_a_short_pull_is_left_out_and_named():
    scope = scope_of(steady(10))
    short = scope.curves.filter((pl.col("pull") != "P3") | (pl.col("rpm") < 3000.0))
    found = monitor_cell(replace(scope, curves=short))
    assert found.band == (2000.0, 4000.0)
    assert any("2000 to 4000 rpm: P3" in text for text in found.warnings)


def test_only_the_latest_sessions_are_looked_at(monkeypatch):
    monkeypatch.setattr("dynostats.analysis.monitor.series.MOST_SESSIONS", 12)
    found = monitor_cell(scope_of(steady(20)))
    assert found.charts[0].points["session"].to_list() == [f"w{week:02d}" for week in range(8, 20)]
    assert any("latest 12 sessions are looked at; 8 are older" in text for text in found.warnings)


def test_a_session_mean_is_the_mean_of_log_torque():
    scope = scope_of([0.0, 1.0, -1.0], sd=0.0)
    chart = monitor_cell(scope).charts[0]
    assert chart.level == pytest.approx(300.0)
    assert chart.points["value"].to_numpy() == pytest.approx([0.0, 1.0, -1.0], abs=1e-9)
    assert chart.within_sd == pytest.approx(0.0, abs=1e-9)


def test_what_cannot_be_monitored_is_refused():
    scope = scope_of(steady(4))
    with pytest.raises(AnalysisError, match="has oil_pressure") as refused:
        monitor_cell(scope, ("oil_pressure",))
    assert refused.value.where == "--channel"
    with pytest.raises(AnalysisError, match="no accepted pull of setup 'ref'"):
        monitor_cell(replace(scope, curves=scope.curves.with_columns(torque=pl.lit(0.0))))


def table_of(*rows):
    """Return a study's pulls: role, session, week."""
    return pl.DataFrame(
        [(role, "accepted", session, START + week * WEEK) for role, session, week in rows],
        schema=["role", "state", "session", "started"],
        orient="row",
    )


def test_a_break_between_baseline_and_candidate_is_in_the_difference():
    breaks = read_breaks(None, [event(5.0)])
    apart = table_of(("baseline", "a", 4), ("candidate", "b", 6))
    (text,) = warn_compared(breaks, apart)
    assert text.startswith("The baseline was pulled before the calibration E1 of 2025-02-10")
    both = table_of(
        ("baseline", "a", 4), ("candidate", "a", 4), ("baseline", "b", 6), ("candidate", "b", 6)
    )
    (text,) = warn_compared(breaks, both)
    assert "Within a session it cancels" in text
    after = table_of(("baseline", "b", 6), ("candidate", "b", 6))
    assert list(warn_compared(breaks, after)) == []


def test_a_found_change_is_a_break():
    levels = steady(20)
    levels[12:] += 2.0
    breaks = read_breaks(monitor_cell(scope_of(levels)), [])
    (one,) = breaks
    assert (one.before, one.after) == (START + 11 * WEEK, START + 12 * WEEK)
    (text,) = warn_compared(breaks, table_of(("candidate", "a", 3), ("baseline", "b", 15)))
    assert text.startswith("The candidate was pulled before the change of the cell found between")
    history = pl.DataFrame({"started": [START + week * WEEK for week in range(20)]})
    (text,) = warn_history(breaks, history)
    assert text.startswith("12 of the 20 pulls that the noise was learned from are older than")
    assert list(warn_history(breaks, history.tail(5))) == []


def test_a_service_is_no_break():
    assert read_breaks(None, [event(5.0, "service"), event(6.0, "repair")]) == ()
