"""What an envelope check found: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

Status = Literal["inside", "outside", "not_covered"]
Verdict = Literal["inside", "outside", "not_enough_covered"]
Side = Literal["above", "below"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """A contiguous stretch of engine speed at which a channel lies outside its band.

    Args:
        log: The file.
        from_rpm: First grid speed.
        to_rpm: Last grid speed.
        side: Which edge is passed.
        worst_rpm: Where it lies furthest beyond that edge.
        worst_excess: How far, in the channel's unit.
    """

    log: str
    from_rpm: float
    to_rpm: float
    side: Side
    worst_rpm: float
    worst_excess: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRange:
    """One channel of the logs against the range of the pulls.

    Args:
        channel: Stored name.
        words: What it is called in a sentence.
        unit: Unit of the excess.
        needed: Whether the answer stays open while this channel is not covered.
        status: "inside", "outside", or "not_covered" where too little can be compared.
        share_outside: Share of what was compared that lies outside; None where nothing was.
        share_covered: Share of the band's speeds that some run of the logs covers.
        covered_rpm: Lowest and highest speed compared; None where nothing was.
        worst_rpm: Speed that lies furthest beyond an edge, or nearest to one; None likewise.
        worst_excess: How far beyond the edge, in the unit; 0 when inside, None likewise.
        side: The edge it is about; None likewise.
        danger: True when it is outside on the side that endangers the engine.
        excursions: Where it is outside, and by how much.
        text: The finding in a sentence or two.
        pulls: Reference pulls that have the channel.
        pull_df: Degrees of freedom behind the pull-to-pull noise, history included.
        session_df: The same between sessions; None where days were never compared.
        factor: Band in standard errors of a new log: all speeds, channels and runs together.
        tolerance_factor: Exact two-sided tolerance factor of one speed (95% of logs, 95% sure).
        scope: Whose history was pooled.
    """

    channel: str
    words: str
    unit: str
    needed: bool
    status: Status
    share_outside: float | None
    share_covered: float
    covered_rpm: tuple[float, float] | None
    worst_rpm: float | None
    worst_excess: float | None
    side: Side | None
    danger: bool
    excursions: tuple[Excursion, ...]
    text: str
    pulls: int
    pull_df: int | None
    session_df: int | None
    factor: float | None
    tolerance_factor: float | None
    scope: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogCoverage:
    """What of one log could be compared.

    Args:
        log: The file.
        rows: Rows of the log.
        loaded_rows: Rows at the load of the reference pulls.
        runs: Stretches of them.
        told_by: What told the load: "throttle", "torque", "boost", or "" for nothing.
    """

    log: str
    rows: int
    loaded_rows: int
    runs: int
    told_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the way up to full load.

    Args:
        title: What is done.
        text: How, what is watched, and what must hold before the next step.
    """

    title: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """Whether new logs lie within the range of the accepted pulls of a setup.

    Args:
        engine: The engine.
        dyno: The dyno of the reference pulls; "" where none is named.
        reference: The reference setup.
        alpha: Chance that a clean log of the same setup is called outside at all.
        verdict: "inside", "outside", or "not_enough_covered".
        answer: The verdict in a sentence.
        channels: One a channel that the pulls have, in the order of what protects the engine.
        bands: One row a channel and speed: channel, rpm, mean, low, high, usable.
        points: One row a channel, log, run and speed compared: channel, log, run, rpm, value, low,
            high, outside.
        logs: One a file.
        dangers: Sentences that come before everything else.
        warnings: Sentences the reader must see.
        steps: The staged way up, with cautions.
        next: What to do now.
        method: How it was worked out.
    """

    engine: str
    dyno: str
    reference: str
    alpha: float
    verdict: Verdict
    answer: str
    channels: tuple[ChannelRange, ...]
    bands: pl.DataFrame
    points: pl.DataFrame
    logs: tuple[LogCoverage, ...]
    dangers: tuple[str, ...]
    warnings: tuple[str, ...]
    steps: tuple[Step, ...]
    next: str
    method: dict[str, object]

    @property
    def inside(self) -> bool:
        """Tell whether everything needed was compared and all of it lies inside."""
        return self.verdict == "inside"

    @property
    def frame(self) -> pl.DataFrame:
        """Return one row a channel: status, shares, where it is worst."""
        names = ("channel", "unit", "status", "share_outside", "share_covered", "worst_rpm")
        rows = [asdict(one) for one in self.channels]
        kept = [{key: row[key] for key in (*names, "worst_excess", "side")} for row in rows]
        return pl.DataFrame(
            kept,
            schema_overrides={
                "share_outside": pl.Float64,
                "worst_rpm": pl.Float64,
                "worst_excess": pl.Float64,
                "side": pl.String,
            },
        )

    def to_dict(self) -> dict[str, object]:
        """Return the result under the names of the JSON contract."""
        return {
            "inside": self.inside,
            "verdict": self.verdict,
            "answer": self.answer,
            "enough_covered": self.verdict != "not_enough_covered",
            "channels": [asdict(one) for one in self.channels],
            "dangers": list(self.dangers),
            "warnings": [*self.dangers, *self.warnings],
            "next": self.next,
            "steps": [asdict(step) for step in self.steps],
            "engine": self.engine,
            "dyno": self.dyno,
            "reference": self.reference,
            "alpha": self.alpha,
            "logs": [asdict(one) for one in self.logs],
            "bands": self.bands.to_dicts(),
            "method": self.method,
        }
