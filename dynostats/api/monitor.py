"""The cell over time: gathering a reference setup and the cell's events; a result that draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.conditions import put_on_footing
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.monitor import (
    ALPHA,
    CHANNELS,
    Break,
    CellEvent,
    Monitoring,
    Scope,
    least_sessions,
    mark_eras,
    monitor_cell,
    read_breaks,
    warn_compared,
    warn_history,
)
from dynostats.api.conditions import gather_conditions
from dynostats.api.names import require_name
from dynostats.api.results import as_html, fields_of
from dynostats.curves.correction import find_standard
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellMonitoring(Monitoring):
    """The cell over time, which can draw itself."""

    @classmethod
    def of(cls, result: Monitoring) -> CellMonitoring:
        """Return a monitoring with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self, channel: str = "torque") -> alt.LayerChart:
        """Return the individuals chart of a channel with limits, changes and events."""
        from dynostats.charts.monitor import individuals_chart

        return individuals_chart(self, channel)

    def _repr_html_(self) -> str:
        return as_html(self.answer, self.chart())


@dataclass(frozen=True, slots=True, kw_only=True)
class EventList:
    """What was done to the cells.

    Args:
        frame: One row an event by date: event, dyno, kind, happened_at, what, who, noted_at,
            withdrawn (why it was taken back; null while it stands).
    """

    frame: pl.DataFrame

    def to_dict(self) -> dict[str, object]:
        """Return the events as plain values."""
        return {"events": self.frame.to_dicts()}

    def _repr_html_(self) -> str:
        return self.frame._repr_html_()  # pyright: ignore[reportPrivateUsage]


def gather_scope(
    store: Store,
    *,
    dyno: str | None,
    engine: str | None,
    setup: str | None,
    channels: Sequence[str] | None,
    correction: str | None,
) -> Scope:
    """Gather the most repeated setup in scope, its curves, and the events of its dyno.

    Args:
        store: The open warehouse.
        dyno: Only this dyno; None for any.
        engine: Only this engine.
        setup: Only this setup.
        channels: Channels wanted beside torque; None for the usual ones.
        correction: Ambient correction by name; None for what the sheets declare, else none.

    Raises:
        WarehouseError: A name is not stored, or there are no curves of a channel.
        AnalysisError: No pull is accepted in that scope, or one cannot be brought to the
            correction.
    """
    every = store.pulls().with_columns(pl.col("dyno").fill_null(""))
    asked = {"dyno": dyno, "engine": engine, "setup": setup}
    for kind, name in asked.items():
        if name is not None:
            require_name(name, every[kind].unique().to_list(), kind=kind)
    chosen = {kind: name for kind, name in asked.items() if name is not None}
    wanted = ("torque", *(CHANNELS if channels is None else channels))
    asked_for = None if correction is None else find_standard(correction)
    accepted = every.filter(state="accepted", **chosen)
    scope = _read_scope(store, accepted, channels=wanted, correction=asked_for)
    return replace(scope, units=dict(store.query("channels").select("channel", "unit").rows()))


def _read_scope(
    store: Store, accepted: pl.DataFrame, *, channels: Sequence[str], correction: str | None
) -> Scope:
    """Read the most repeated setup of some pulls, and the events of its dyno."""
    reference = most_repeated(accepted)
    pulls = accepted.filter(**reference)
    curves = store.curves(pulls["pull"].to_list(), channels=tuple(dict.fromkeys(channels)))
    conditions = gather_conditions(
        store, pulls, engines={reference["engine"]}, setups={reference["setup"]}
    )
    torque = curves.filter(pl.col("torque") > 0)
    if torque.is_empty():
        footing = None
    else:
        measured = pulls.join(torque, on="pull", how="semi", maintain_order="left")
        footing = put_on_footing(
            curve_set(measured, torque),
            measured,
            conditions,
            compared=np.ones(measured.height, dtype=np.bool_),
            asked=correction,
        )
        curves = curves.drop("torque").join(
            _long_torque(footing.curves), on=["pull", "rpm"], how="left", maintain_order="left"
        )
    return Scope(
        dyno=reference["dyno"],
        engine=reference["engine"],
        setup=reference["setup"],
        pulls=pulls.select("pull", "session", "started"),
        curves=curves,
        events=standing_events(store, reference["dyno"]),
        correction="none" if footing is None else footing.correction,
        remarks=() if footing is None else footing.warnings,
    )


def _long_torque(curves: CurveSet) -> pl.DataFrame:
    """Return one row a pull and grid speed: pull, rpm, torque in N.m."""
    torque = np.exp(curves.log_torque)
    return pl.DataFrame(
        {
            "pull": np.repeat(curves.pull, len(curves.rpm)),
            "rpm": np.tile(curves.rpm, len(curves)),
            "torque": torque.ravel(),
        }
    ).filter(pl.col("torque").is_not_nan())


def most_repeated(accepted: pl.DataFrame) -> dict[str, str]:
    """Return dyno, engine and setup of what was pulled in most sessions.

    Raises:
        AnalysisError: There is no pull.
    """
    labels = ["dyno", "engine", "setup"]
    counted = (
        accepted.group_by(labels)
        .agg(sessions=pl.col("session").n_unique(), pulls=pl.len())
        .sort("sessions", "pulls", *labels, descending=[True, True, False, False, False])
    )
    if counted.is_empty():
        raise AnalysisError(
            "no pull is accepted in this scope",
            where="--dyno, --engine, --setup",
            mend="`dynostats pulls` lists what is stored, with states and reasons.",
        )
    return {name: str(counted[name][0]) for name in labels}


def standing_events(store: Store, dyno: str) -> tuple[CellEvent, ...]:
    """Return the events of a dyno that were not taken back, by date."""
    rows = store.events().with_columns(pl.col("dyno").fill_null(""))
    standing = rows.filter(pl.col("withdrawn").is_null(), dyno=dyno)
    names = ("event", "dyno", "kind", "happened_at", "what", "who")
    return tuple(CellEvent(**row) for row in standing.select(names).iter_rows(named=True))


def find_breaks(store: Store, pulls: pl.DataFrame, dyno: str) -> tuple[Break, ...]:
    """Return the logged calibrations of a dyno, and the changes of its most repeated setup.

    Args:
        store: The open warehouse.
        pulls: One row a stored pull.
        dyno: The dyno; "" where none is named.
    """
    named = pl.col("dyno").fill_null("")
    accepted = pulls.with_columns(named).filter(state="accepted", dyno=dyno)
    events = standing_events(store, dyno)
    try:
        reference = most_repeated(accepted)
    except AnalysisError:  # nothing to monitor: what was logged still stands
        return read_breaks(None, events)
    if accepted.filter(**reference)["session"].n_unique() < least_sessions(ALPHA):
        return read_breaks(None, events)
    try:
        scope = _read_scope(store, accepted, channels=("torque",), correction=None)
        found = monitor_cell(scope, ())
    except AnalysisError:  # no torque in it, or measured in ways that cannot be compared
        return read_breaks(None, events)
    return read_breaks(found, events)


def warn_of_breaks(
    found: Sequence[Comparison], breaks: Sequence[Break], history: pl.DataFrame
) -> tuple[Comparison, ...]:
    """Return comparisons of one dyno with what breaks in its history mean for them.

    Args:
        found: The comparisons.
        breaks: Of their dyno.
        history: One row a pull that their noise was learned from, with its state.
    """
    accepted = history.filter(state="accepted")
    of_history = tuple(warn_history(breaks, accepted))
    return tuple(
        replace(one, warnings=(*one.warnings, *warn_compared(breaks, one.pull_table), *of_history))
        for one in found
    )


def mark_breaks(
    store: Store, every: pl.DataFrame, pulls: pl.DataFrame
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Return pulls of any dynos with their eras, and what breaks mean for their noise.

    Args:
        store: The open warehouse.
        every: One row a stored pull.
        pulls: Those that the noise is learned from.
    """
    named = pulls.with_columns(pl.col("dyno").fill_null(""))
    parts: list[pl.DataFrame] = []
    told: list[str] = []
    for (dyno,), own in named.group_by("dyno", maintain_order=True):
        breaks = find_breaks(store, every, str(dyno))
        parts.append(mark_eras(own, breaks))
        told += warn_history(breaks, own)
    if not parts:
        return pulls, ()
    marked = pl.concat(parts, how="diagonal")
    if "era" in marked.columns:
        marked = marked.with_columns(pl.col("era").fill_null(""))
    return marked, tuple(told)


def dyno_of_event(store: Store, dyno: str | None) -> str | None:
    """Return the dyno an event is about: the one named, or the only one there is.

    Raises:
        WarehouseError: The dyno named is not stored.
        AnalysisError: Several dynos are stored and none is named.
    """
    stored = store.pulls()["dyno"].unique().to_list()
    named = sorted(name for name in stored if name is not None)
    if dyno is not None:
        require_name(dyno, named, kind="dyno")
        return dyno
    if len(stored) > 1:
        raise AnalysisError(
            f"{len(named)} dynos are stored",
            where="--dyno",
            mend=f"Say which one the event is about: {', '.join(named)}.",
        )
    return named[0] if named else None


def local_now() -> datetime:
    """Return the time on the shop's clock, without zone, as sheets state it."""
    return datetime.now().astimezone().replace(tzinfo=None, microsecond=0)
