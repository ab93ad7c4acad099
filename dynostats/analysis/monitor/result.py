"""What monitoring a cell found: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Literal

import polars as pl

ChartName = Literal["individuals", "moving_range", "ewma", "within_session"]
Verdict = Literal["changed", "signals", "no_change_shown", "too_few_sessions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellEvent:
    """Something that was done to the cell.

    Args:
        event: Its name, E1, E2, …
        dyno: The dyno; "" where none is named.
        kind: "calibration", "service", "repair" or "other".
        happened_at: When, local time of the shop.
        what: What was done.
        who: Who says so.
    """

    event: str
    dyno: str
    kind: str
    happened_at: datetime
    what: str
    who: str

    def to_dict(self) -> dict[str, object]:
        """Return the event as plain values."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of the cell: found in its numbers, or logged as a calibration.

    Args:
        channel: Channel it was found in; for a calibration the one the step is stated of.
        kind: "found" or "calibration".
        after_session: Last session before it.
        before_session: First session after it.
        not_before: Date of the last session before it; None where dates are not known.
        not_after: Date of the first session after it; likewise.
        step: How far the level moved, percent for torque, else the channel's unit.
        low: Lower bound at 95%, the place taken as known; None where it cannot be told.
        high: Upper bound.
        unit: Unit of the step.
        p_value: Share of orders of the values with a step as large; None for a calibration.
        events: Names of events logged in between.
        text: The change in a sentence.
    """

    channel: str
    kind: Literal["found", "calibration"]
    after_session: str
    before_session: str
    not_before: datetime | None
    not_after: datetime | None
    step: float
    low: float | None
    high: float | None
    unit: str
    p_value: float | None
    events: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A session beyond the limits of a chart.

    Args:
        channel: The channel.
        session: The session.
        date: Its date; None where not known.
        chart: "individuals", "ewma" or "within_session"; a range alone is no signal.
        text: The signal in a sentence.
    """

    channel: str
    session: str
    date: datetime | None
    chart: ChartName
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """The charts of one channel.

    Args:
        channel: Stored name.
        words: What it is called in a sentence.
        unit: Unit of the values: "%" for torque (percent of the present level), else the
            channel's.
        level: Mean of the present segment, in the channel's own unit.
        level_unit: That unit.
        sigma: SD of session means from moving ranges, in `unit`; None with fewer than two sessions
            since the last change.
        sessions: Sessions since the last change: what the present limits rest on.
        autocorrelation: Lag-1 correlation of those session means; None with fewer than three.
        within_sd: Pooled SD between pulls of a session, in `unit`; None without repeats.
        points: One row a session: session, date, pulls, value, segment (from 1), centre, low,
            high, moving_range, moving_range_high, ewma, ewma_low, ewma_high, within_sd,
            within_high, signal.
    """

    channel: str
    words: str
    unit: str
    level: float
    level_unit: str
    sigma: float | None
    sessions: int
    autocorrelation: float | None
    within_sd: float | None
    points: pl.DataFrame

    def to_dict(self) -> dict[str, object]:
        """Return the chart as plain values."""
        return {
            "channel": self.channel,
            "unit": self.unit,
            "level": self.level,
            "level_unit": self.level_unit,
            "sigma": self.sigma,
            "sessions": self.sessions,
            "autocorrelation": self.autocorrelation,
            "within_sd": self.within_sd,
            "points": self.points.to_dicts(),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Monitoring:
    """Whether the cell is still the cell it was.

    Args:
        dyno: The dyno; "" where none is named.
        engine: Engine of the reference setup.
        setup: The reference setup.
        band: Engine speeds the means are over, rpm.
        alpha: Chance of any change found where there is none.
        verdict: "changed", "signals", "no_change_shown" or "too_few_sessions".
        answer: The verdict in a sentence.
        changes: Found changes and logged calibrations within the history, by date.
        signals: Sessions beyond limits since the last change, of all channels; the verdict rests on
            those of torque.
        charts: One a channel, torque first.
        events: What was logged of the cell, by date.
        warnings: Sentences the reader must see.
        next: What to do now.
        method: How it was worked out.
    """

    dyno: str
    engine: str
    setup: str
    band: tuple[float, float]
    alpha: float
    verdict: Verdict
    answer: str
    changes: tuple[Change, ...]
    signals: tuple[Signal, ...]
    charts: tuple[Chart, ...]
    events: tuple[CellEvent, ...]
    warnings: tuple[str, ...]
    next: str
    method: dict[str, object]

    @property
    def changed(self) -> bool:
        """Tell whether a change was found in the numbers."""
        return self.verdict == "changed"

    @property
    def frame(self) -> pl.DataFrame:
        """Return one row a channel and session, as in `Chart.points`."""
        return pl.concat(
            chart.points.select(pl.lit(chart.channel).alias("channel"), pl.all())
            for chart in self.charts
        )

    def to_dict(self) -> dict[str, object]:
        """Return the result as plain values."""
        return {
            "verdict": self.verdict,
            "changed": self.changed,
            "answer": self.answer,
            "dyno": self.dyno,
            "engine": self.engine,
            "setup": self.setup,
            "band": list(self.band),
            "alpha": self.alpha,
            "changes": [asdict(one) for one in self.changes],
            "signals": [asdict(one) for one in self.signals],
            "charts": [chart.to_dict() for chart in self.charts],
            "events": [event.to_dict() for event in self.events],
            "warnings": list(self.warnings),
            "next": self.next,
            "method": self.method,
        }
