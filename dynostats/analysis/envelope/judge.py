"""A band and the runs of new logs: inside, outside, or not enough covered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dynostats.analysis.envelope.band import Band
from dynostats.analysis.envelope.channels import Watched
from dynostats.analysis.envelope.reference import OTHER_PACE
from dynostats.analysis.envelope.result import ChannelRange, Excursion, Side, Status
from dynostats.analysis.envelope.runs import Run
from dynostats.arrays import Flags, Floats

# A channel is called inside only where at least this share of the band's speeds was compared;
# common practice, no published source. What was not is always named.
LEAST_COVERED = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """One run of one log against the band of one channel.

    Args:
        log: The file.
        run: Number of the run in it, from 1.
        rpm: Speeds compared, shape (points,).
        value: The log's values there, in the unit.
        low: Lower edge there.
        high: Upper edge there.
    """

    log: str
    run: int
    rpm: Floats
    value: Floats
    low: Floats
    high: Floats

    @property
    def excess(self) -> Floats:
        """Return how far each value lies beyond its nearer edge; negative inside."""
        return np.maximum(self.value - self.high, self.low - self.value)

    @property
    def outside(self) -> Flags:
        """Return which values lie outside."""
        return self.excess > 0.0


def compare_runs(
    band: Band, runs: Mapping[str, Sequence[Run]], *, sampling: float, pace: float | None
) -> tuple[Compared, ...]:
    """Lay every run beside the band.

    Args:
        band: The band of a channel.
        runs: By log.
        sampling: Variance of a single sample, log units squared; 0 where it is not known.
        pace: How fast engine speed rises in the pulls, rpm/s; None where not known. In a run much
            faster than that a channel that lags reads low by itself: it has no lower edge there.
    """
    laid = [
        (run, _compare(band, log, number, run, sampling))
        for log, own in runs.items()
        for number, run in enumerate(own, start=1)
    ]
    return tuple(
        replace(one, low=np.full_like(one.low, -np.inf))
        if band.watched.lags and _is_fast(run, pace)
        else one
        for run, one in laid
        if one is not None
    )


def _is_fast(run: Run, pace: float | None) -> bool:
    return run.pace is not None and pace is not None and run.pace > OTHER_PACE * pace


def _compare(band: Band, log: str, number: int, run: Run, sampling: float) -> Compared | None:
    values = run.values.get(band.watched.channel)
    if values is None:
        return None
    extra = np.zeros(len(band.rpm))
    laid = np.full(len(band.rpm), np.nan)
    shared = np.isin(band.rpm, run.rpm)
    place = np.searchsorted(run.rpm, band.rpm[shared])
    laid[shared], extra[shared] = values[place], sampling * run.weight[place]
    known = np.isfinite(laid) & np.isfinite(extra) & band.usable()
    if not known.any():
        return None
    low, high = band.edges(extra)
    return Compared(
        log=log,
        run=number,
        rpm=band.rpm[known],
        value=laid[known],
        low=low[known],
        high=high[known],
    )


def judge_channel(band: Band, compared: Sequence[Compared]) -> ChannelRange:
    """Return what the runs say of one channel."""
    watched = band.watched
    if not compared:
        return _uncovered(watched, band, _why_uncovered(band))
    rpm = np.concatenate([one.rpm for one in compared])
    excess = np.concatenate([one.excess for one in compared])
    value = np.concatenate([one.value for one in compared])
    middle = np.concatenate([(one.low + one.high) / 2.0 for one in compared])
    worst = int(excess.argmax())
    side: Side = "above" if value[worst] > middle[worst] else "below"
    share = float(len(np.unique(rpm)) / len(band.rpm))
    excursions = tuple(part for one in compared for part in _excursions(one))
    enough = share >= LEAST_COVERED
    status: Status = "outside" if excursions else "inside" if enough else "not_covered"
    covered = float(rpm.min()), float(rpm.max())
    danger = any(part.side == watched.danger for part in excursions)
    return ChannelRange(
        channel=watched.channel,
        words=watched.words,
        unit=watched.unit,
        needed=watched.needed,
        status=status,
        share_outside=float((excess > 0.0).mean()),
        share_covered=share,
        covered_rpm=covered,
        worst_rpm=float(rpm[worst]),
        worst_excess=max(float(excess[worst]), 0.0),
        side=side,
        danger=danger,
        excursions=excursions,
        text=_say(watched, status, excursions, covered, share=share),
        pulls=band.pulls,
        pull_df=band.pull_df,
        session_df=band.session_df,
        factor=band.factor,
        tolerance_factor=band.tolerance,
        scope=band.scope,
    )


def judge_unbanded(watched: Watched) -> ChannelRange:
    """Return the finding on a channel that too few reference pulls have for a band."""
    return _uncovered(watched, None, "Fewer than two alike reference pulls have it: no range.")


def _uncovered(watched: Watched, band: Band | None, why: str) -> ChannelRange:
    return ChannelRange(
        channel=watched.channel,
        words=watched.words,
        unit=watched.unit,
        needed=watched.needed,
        status="not_covered",
        share_outside=None,
        share_covered=0.0,
        covered_rpm=None,
        worst_rpm=None,
        worst_excess=None,
        side=None,
        danger=False,
        excursions=(),
        text=f"{_capital(watched.words)}: not covered. {why}",
        pulls=0 if band is None else band.pulls,
        pull_df=None if band is None else band.pull_df,
        session_df=None if band is None else band.session_df,
        factor=None if band is None else band.factor,
        tolerance_factor=None if band is None else band.tolerance,
        scope="" if band is None else band.scope,
    )


def _why_uncovered(band: Band) -> str:
    if not band.usable().any():
        return (
            f"The pulls tell too little: from {band.pulls} pulls with {band.pull_df} degrees of "
            "freedom the band is so wide that it would hold dangerous values. More pulls of the "
            "setup narrow it."
        )
    return "The log does not have it at the load and the speeds of the pulls."


def _excursions(one: Compared) -> Iterator[Excursion]:
    """Yield the contiguous stretches outside, each on one side."""
    side = np.where(one.outside, np.where(one.value > one.high, 1, -1), 0)
    breaks = np.flatnonzero((np.diff(side) != 0) | (np.diff(one.rpm) > 1.5 * _step(one.rpm))) + 1
    for part in np.split(np.arange(len(side)), breaks):
        if side[part[0]] == 0:
            continue
        worst = part[int(one.excess[part].argmax())]
        yield Excursion(
            log=one.log,
            from_rpm=float(one.rpm[part[0]]),
            to_rpm=float(one.rpm[part[-1]]),
            side="above" if side[part[0]] > 0 else "below",
            worst_rpm=float(one.rpm[worst]),
            worst_excess=float(one.excess[worst]),
        )


def _step(rpm: Floats) -> float:
    return float(np.diff(rpm).min()) if len(rpm) > 1 else 1.0


def _say(
    watched: Watched,
    status: Status,
    excursions: Sequence[Excursion],
    covered: tuple[float, float],
    *,
    share: float,
) -> str:
    where = f"{covered[0]:,.0f} to {covered[1]:,.0f} rpm"
    name = _capital(watched.words)
    if status == "inside":
        return f"{name}: inside the range of the pulls from {where}."
    if status == "not_covered":
        return (
            f"{name}: not enough covered. Inside where it was compared ({where}), which is only "
            f"{share:.0%} of the speeds of the pulls."
        )
    worst = max(excursions, key=lambda one: (one.side == watched.danger, one.worst_excess))
    return (
        f"{name}: outside the range of the pulls. It lies up to "
        f"{format_value(worst.worst_excess, watched.unit)} {worst.side} the band, most at "
        f"{worst.worst_rpm:,.0f} rpm; outside from {_spans(excursions)}."
    )


def _spans(excursions: Sequence[Excursion], most: int = 3) -> str:
    spans = list(
        dict.fromkeys(f"{one.from_rpm:,.0f} to {one.to_rpm:,.0f} rpm" for one in excursions)
    )
    more = len(spans) - most
    return ", ".join(spans[:most]) + (f" and {more} more stretches" if more > 0 else "")


def format_value(value: float, unit: str) -> str:
    """Return an amount in its unit, with as many digits as a gauge shows."""
    match unit:
        case "1":
            return f"{value:.3f}"
        case "degC":
            return f"{value:.1f} K"
        case _:
            return f"{value:.1f} {unit}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
