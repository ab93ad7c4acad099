"""Is the cell still the cell it was: charts and changes of a reference setup."""

from __future__ import annotations

from collections.abc import Sequence

from dynostats.analysis.monitor.result import Change, Monitoring, Signal, Verdict
from dynostats.analysis.monitor.scope import Scope
from dynostats.analysis.monitor.series import Series, read_series
from dynostats.analysis.monitor.study import study_channel
from dynostats.analysis.monitor.words import describe, say_answer, say_next, say_warnings
from dynostats.errors import AnalysisError

ALPHA = 0.05
# Share of alpha kept for torque; the other channels share the rest.
TORQUE_SHARE = 0.5
# Watched beside torque unless others are named; temperatures follow the weather.
CHANNELS = ("manifold_pressure", "lambda", "fuel_pressure", "oil_pressure")


def monitor_cell(scope: Scope, channels: Sequence[str] | None = None) -> Monitoring:
    """Chart a reference setup session by session, and find when its level changed.

    Args:
        scope: The reference setup and the events of its dyno.
        channels: Channels beside torque; None for the usual ones that the pulls have.

    Returns:
        The finding. Where nothing changes, any change is found at most `ALPHA` of the time.

    Raises:
        AnalysisError: There is no accepted pull, or a channel named is in none.
    """
    series = _read(scope, channels)
    studied = [study_channel(scope, one, alpha=_alpha_of(one, series)) for one in series]
    torque = series[0]
    changes = _in_order(
        [
            change
            for one in studied
            for change in one.changes
            if change.kind == "found" or one.series is torque
        ]
    )
    signals = tuple(signal for one in studied for signal in one.signals)
    enough = studied[0].longest >= studied[0].least
    verdict = _conclude(changes, signals, enough=enough)
    return Monitoring(
        dyno=scope.dyno,
        engine=scope.engine,
        setup=scope.setup,
        band=torque.band,
        alpha=ALPHA,
        verdict=verdict,
        answer=say_answer(verdict, changes, signals, sessions=len(torque), setup=scope.setup),
        changes=changes,
        signals=signals,
        charts=tuple(one.chart for one in studied),
        events=scope.events,
        warnings=(
            *scope.remarks,
            *say_warnings(
                series,
                [one.chart for one in studied],
                scope.events,
                least=None if enough else studied[0].least,
            ),
        ),
        next=say_next(verdict, changes),
        method=describe(ALPHA) | {"ambient_correction": scope.correction},
    )


def _read(scope: Scope, channels: Sequence[str] | None) -> list[Series]:
    """Return the series of torque, then of the other channels.

    Raises:
        AnalysisError: There is no torque, or a channel named is in no pull.
    """
    torque = read_series(scope.pulls, scope.curves, "torque")
    if torque is None:
        raise AnalysisError(
            f"no accepted pull of setup '{scope.setup}' on engine '{scope.engine}' has a torque "
            "curve",
            where="--setup",
            mend="Name a setup that was pulled in many sessions; `dynostats pulls` lists them.",
        )
    wanted = CHANNELS if channels is None else tuple(dict.fromkeys(channels))
    others = {
        name: read_series(scope.pulls, scope.curves, name) for name in wanted if name != "torque"
    }
    missing = [name for name, one in others.items() if one is None]
    if channels is not None and missing:
        raise AnalysisError(
            f"no accepted pull of setup '{scope.setup}' has {', '.join(missing)}",
            where="--channel",
            mend="`dynostats query channels` lists what is stored.",
        )
    return [torque, *(one for one in others.values() if one is not None)]


def _alpha_of(series: Series, every: Sequence[Series]) -> float:
    others = len(every) - 1
    if not others:
        return ALPHA
    if series is every[0]:
        return ALPHA * TORQUE_SHARE
    return ALPHA * (1.0 - TORQUE_SHARE) / others


def _conclude(changes: Sequence[Change], signals: Sequence[Signal], *, enough: bool) -> Verdict:
    if any(change.kind == "found" for change in changes):
        return "changed"
    if signals:
        return "signals"
    return "no_change_shown" if enough else "too_few_sessions"


def _in_order(changes: Sequence[Change]) -> tuple[Change, ...]:
    def when(change: Change) -> str:
        return "" if change.not_after is None else change.not_after.isoformat()

    return tuple(sorted(changes, key=when))
