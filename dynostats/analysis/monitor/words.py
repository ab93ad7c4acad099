"""Monitoring in sentences: the answer, the changes with their dates, what the reader must know."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from dynostats.analysis.monitor.control import (
    D2,
    D4,
    EWMA_WEIGHT,
    EWMA_WIDTH,
    SIGMAS,
)
from dynostats.analysis.monitor.result import CellEvent, Change, Chart, ChartName, Signal, Verdict
from dynostats.analysis.monitor.series import Series

# With fewer sessions than this behind them limits are uncertain (NIST/SEMATECH e-Handbook, 6.3.2).
FEW_SESSIONS = 20

_CHARTS: Mapping[ChartName, str] = {
    "individuals": "the mean lies beyond three SDs of its fellows",
    "moving_range": "it differs from the session before by more than sessions do",
    "ewma": "the running mean lies beyond its limits: the level creeps",
    "within_session": "its pulls scatter more than pulls of a session do",
}


def say_answer(
    verdict: Verdict,
    changes: Sequence[Change],
    signals: Sequence[Signal],
    *,
    sessions: int,
    setup: str,
) -> str:
    """Return the verdict in a sentence."""
    seen = f"{sessions} session{'' if sessions == 1 else 's'} of '{setup}'"
    match verdict:
        case "changed":
            found = [change for change in changes if change.kind == "found"]
            return f"The cell changed: {' '.join(change.text for change in found)}"
        case "signals":
            names = ", ".join(dict.fromkeys(signal.session for signal in signals))
            return (
                f"No lasting change is shown in {seen}, but {names} stand"
                f"{'s' if len({signal.session for signal in signals}) == 1 else ''} out."
            )
        case "no_change_shown":
            return f"No change is shown in {seen}. A change too small to see is possible."
        case "too_few_sessions":
            return f"Too few sessions to tell: {seen}."


def say_change(change: Change, events: Sequence[CellEvent]) -> Change:
    """Return a change with its sentence."""
    where = f"between {_session(change.after_session, change.not_before)} and " + _session(
        change.before_session, change.not_after
    )
    name = change.channel.replace("_", " ")
    logged = "; ".join(f"{event.kind} {event.event} ({event.what})" for event in events)
    size = _size(change)
    if change.kind == "calibration":
        text = f"At the calibration {where} {name} moved by {size}."
    else:
        text = (
            f"{name[0].upper()}{name[1:]} moved by {size} {where} "
            f"(p {change.p_value:.3g}; the size of a step that was looked for is too large on "
            "average)."
        )
        text += f" Logged in between: {logged}." if logged else " Nothing was logged in between."
    return replace(change, text=text)


def _size(change: Change) -> str:
    digits = 3 if change.unit == "1" else 2
    unit = {"1": "", "%": "%", "degC": " K"}.get(change.unit, f" {change.unit}")
    text = f"{change.step:+.{digits}f}{unit}"
    if change.low is None or change.high is None:
        return text
    return f"{text} ({change.low:+.{digits}f} to {change.high:+.{digits}f}{unit})"


def _session(name: str, date: datetime | None) -> str:
    return name if date is None else f"{name} ({date:%Y-%m-%d})"


def say_signal(chart: Chart, row: Mapping[str, Any], name: ChartName) -> str:
    """Return what a session beyond a limit means."""
    return f"{chart.words} in {_session(row['session'], row['date'])}: {_CHARTS[name]}."


def say_next(verdict: Verdict, changes: Sequence[Change]) -> str:
    """Return what to do now."""
    match verdict:
        case "changed":
            last = [change for change in changes if change.kind == "found"][-1]
            return (
                f"Find out what happened before {_session(last.before_session, last.not_after)} "
                "(calibration, weather, fuel, the engine itself) and log it with `dynostats event "
                "add`. Pulls from before it are no baseline for pulls after it: pull the baseline "
                "again."
            )
        case "signals":
            return (
                "Look at those sessions (`dynostats check`, air, oil temperature, labels). One odd "
                "session is no change of the cell; the next one will tell."
            )
        case "no_change_shown":
            return "Pull the reference setup in every session; log what is done to the cell."
        case "too_few_sessions":
            return (
                "Pull the reference setup in every session: two pulls at its beginning or end are "
                "enough."
            )


def say_warnings(
    series: Sequence[Series],
    charts: Sequence[Chart],
    events: Sequence[CellEvent],
    *,
    least: int | None,
) -> tuple[str, ...]:
    """Return what the reader must know.

    Args:
        series: Torque first.
        charts: In the same order.
        events: What was logged of the dyno.
        least: How many sessions without a calibration in between could show a change; None where
            there are enough.
    """
    return (
        *_warn_few(series[0], charts[0], least),
        *_warn_autocorrelation(charts),
        *_warn_dates(series[0], events),
        *_warn_left_out(series[0]),
        (
            "The reference setup is taken to stay the same: wear of its engine, fuel and weather "
            "look like a change of the cell (--correction takes weather out). A second engine that "
            "moves alike points to the cell."
        ),
    )


def _warn_few(torque: Series, chart: Chart, least: int | None) -> Iterator[str]:
    if least is not None:
        yield (
            f"So few sessions cannot show a change at all: {least} without a calibration in "
            "between can, if the step is large."
        )
    if chart.sessions < FEW_SESSIONS:
        since = " since the last change" if chart.sessions < len(torque) else ""
        yield (
            f"The limits rest on only {chart.sessions} sessions{since}: with fewer than "
            f"{FEW_SESSIONS} they raise more false alarms, and miss more."
        )


def _warn_autocorrelation(charts: Sequence[Chart]) -> Iterator[str]:
    """Say where sessions follow one another: beyond two standard errors of no correlation."""
    for chart in charts:
        found = chart.autocorrelation
        if found is not None and chart.sessions >= 8 and abs(found) > 2.0 / chart.sessions**0.5:
            yield (
                f"Sessions of {chart.words} are not independent (lag-1 correlation {found:+.2f}): "
                "weather or wear runs through them, and changes and signals are found too often."
            )


def _warn_dates(torque: Series, events: Sequence[CellEvent]) -> Iterator[str]:
    if torque.dated:
        return
    yield (
        "Not every session has a date, so sessions stand in the order they were stored"
        + (", and events cannot be placed among them" if events else "")
        + ". `dynostats amend PULL started=…` gives one."
    )


def _warn_left_out(torque: Series) -> Iterator[str]:
    if torque.left_out:
        names = ", ".join(torque.left_out)
        yield (
            f"Left out, because they do not cover {torque.band[0]:.0f} to {torque.band[1]:.0f} "
            f"rpm: {names}."
        )
    if torque.older:
        yield f"The latest {len(torque)} sessions are looked at; {torque.older} are older."


def describe(alpha: float) -> dict[str, object]:
    """Return how it was worked out."""
    return {
        "values": "mean over the pulls of a session of the mean over the band of log torque "
        "(percent), or of a channel",
        "changes": "largest standardised step against all orders of the values (up to 8), else "
        "9,999 drawn; split again on either side; calibrations split in any case",
        "alpha": alpha,
        "family": "half of alpha for torque, the rest shared by the other channels",
        "individuals": f"centre +/- {SIGMAS:g} x mean moving range / {D2}",
        "moving_range": f"upper limit {D4} x mean moving range",
        "ewma": f"weight {EWMA_WEIGHT}, {EWMA_WIDTH} SDs, exact variance",
        "sources": [
            "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 and 6.3.2.4",
            "Lucas & Saccucci (1990), Technometrics 32:1",
            "Sen & Srivastava (1975), Annals of Statistics 3:98",
            "Scott & Knott (1974), Biometrics 30:507",
        ],
    }
