"""The cell over time: gathering a reference setup and the cell's events; a result that draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.monitor import (
    CHANNELS,
    Break,
    CellEvent,
    Monitoring,
    Scope,
    monitor_cell,
    read_breaks,
    warn_compared,
    warn_history,
)
from dynostats.api.names import require_name
from dynostats.api.results import as_html
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
        return cls(**{field.name: getattr(result, field.name) for field in fields(result)})

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
) -> Scope:
    """Gather the most repeated setup in scope, its curves, and the events of its dyno.

    Args:
        store: The open warehouse.
        dyno: Only this dyno; None for any.
        engine: Only this engine.
        setup: Only this setup.
        channels: Channels wanted beside torque; None for the usual ones.

    Raises:
        WarehouseError: A name is not stored, or there are no curves of a channel.
        AnalysisError: No pull is accepted in that scope.
    """
    every = store.pulls().with_columns(pl.col("dyno").fill_null(""))
    asked = {"dyno": dyno, "engine": engine, "setup": setup}
    for kind, name in asked.items():
        if name is not None:
            require_name(name, every[kind].unique().to_list(), kind=kind)
    chosen = {kind: name for kind, name in asked.items() if name is not None}
    accepted = every.filter(state="accepted", **chosen)
    reference = most_repeated(accepted)
    pulls = accepted.filter(**reference)
    wanted = ("torque", *(CHANNELS if channels is None else channels))
    return Scope(
        dyno=reference["dyno"],
        engine=reference["engine"],
        setup=reference["setup"],
        pulls=pulls.select("pull", "session", "started"),
        curves=store.curves(pulls["pull"].to_list(), channels=tuple(dict.fromkeys(wanted))),
        events=standing_events(store, reference["dyno"]),
        units=dict(store.query("channels").select("channel", "unit").rows()),
    )


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


def warn_of_breaks(store: Store, found: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """Return comparisons of one dyno with what breaks in its history mean for them."""
    dyno = str(found[0].pull_table["dyno"].fill_null("")[0])
    pulls = store.pulls().with_columns(pl.col("dyno").fill_null(""))
    breaks = find_breaks(store, dyno)
    history = tuple(warn_history(breaks, pulls.filter(state="accepted", dyno=dyno)))
    return tuple(
        replace(one, warnings=(*one.warnings, *warn_compared(breaks, one.pull_table), *history))
        for one in found
    )


def warn_of_noise(store: Store, pulls: pl.DataFrame) -> tuple[str, ...]:
    """Return what breaks mean for a noise learned from pulls of any dynos."""
    named = pulls.with_columns(pl.col("dyno").fill_null(""))
    return tuple(
        text
        for dyno in named["dyno"].unique(maintain_order=True).to_list()
        for text in warn_history(find_breaks(store, dyno), named.filter(dyno=dyno))
    )


def find_breaks(store: Store, dyno: str) -> tuple[Break, ...]:
    """Return the logged calibrations of a dyno, and the changes of its most repeated setup."""
    try:
        scope = gather_scope(store, dyno=dyno, engine=None, setup=None, channels=())
        found = monitor_cell(scope, ())
    except AnalysisError:  # nothing to monitor: what was logged still stands
        found = None
    return read_breaks(found, standing_events(store, dyno))


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
