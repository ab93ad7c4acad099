"""The pulls of an attribution, with the channels that can be used and the speeds they cover."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.attribution.causes import (
    BOOST,
    TEMPERATURE,
    Cause,
    mixture_cause,
    pressure_logs,
)
from dynostats.analysis.attribution.channels import (
    Missing,
    Reading,
    judge_channel,
    mean_mixture,
    read_channels,
)
from dynostats.analysis.attribution.evidence import Series
from dynostats.analysis.conditions import lay_channel
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.readings import longest_run
from dynostats.arrays import Flags, Floats, Ints
from dynostats.errors import AnalysisError

LEAST_SPEEDS = 4
# Share of an engine's pulls that must cover a speed for it to be used.
USUALLY_COVERED = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Pulls, causes and channels.

    Args:
        pulls: All pulls in scope, on the speeds that the study's pulls and channels cover.
        own: Rows of the study's pulls that have every channel used, third setups included.
        causes: The causes that can be told apart.
        logs: Their logs, about the study's means, shape (causes, pulls, speeds).
        bent: Squared log of the mixture about the study's mean where it bends, else zero; NaN
            where not read; shape (pulls, speeds).
        plumbing: Log of manifold pressure over the pressure behind the compressor; zero where
            the study's pulls do not all have both; shape (pulls, speeds).
        readings: The channels themselves, one a cause.
        missing: Causes that cannot be told apart.
        left_out: Names of the study's pulls left out for want of a channel.
    """

    pulls: CurveSet
    own: Ints
    causes: tuple[Cause, ...]
    logs: Floats
    bent: Floats
    plumbing: Floats
    readings: tuple[Reading, ...]
    missing: tuple[Missing, ...]
    left_out: tuple[str, ...]

    @property
    def bend(self) -> float:
        """Return the coefficient assumed of the squared mixture; 0 where it does not bend."""
        return next((c.bend.mean for c in self.causes if c.bend is not None), 0.0)

    def complete(self) -> Flags:
        """Return which pulls have torque and every channel at every speed, shape (pulls,)."""
        torque: Flags = np.all(np.isfinite(self.pulls.log_torque), axis=1)
        causes: Flags = np.all(np.isfinite(self.logs), axis=(0, 2))
        return torque & causes

    def series(self, rows: Ints) -> Series | None:
        """Return pulls of one engine on the speeds that they cover; None where hardly any do."""
        known = np.isfinite(self.pulls.log_torque[rows])
        known &= np.isfinite(self.logs[:, rows]).all(axis=0)
        some = known.any(axis=1)
        if not some.any():
            return None
        columns = np.flatnonzero(known[some].mean(axis=0) >= USUALLY_COVERED)
        rows, known = rows[some], known[some]
        whole = known[:, columns].all(axis=1)
        if len(columns) < min(LEAST_SPEEDS, known.shape[1]) or whole.sum() < 2:
            return None
        rows = rows[whole]
        at = np.ix_(rows, columns)
        return Series(
            log_torque=self.pulls.log_torque[at],
            logs=self.logs[:, rows][:, :, columns],
            bent=self.bent[at],
            session=[self.pulls.session[row] for row in rows],
            setup=[self.pulls.setup[row] for row in rows],
            order=self.pulls.order[rows],
        )


def set_scene(
    everything: CurveSet,
    own: Sequence[str],
    channels: pl.DataFrame,
    ambient_kpa: Floats,
    *,
    baseline: str,
    candidate: str,
) -> Scene:
    """Find the causes that a study can tell apart, and the pulls and speeds that it can use.

    Args:
        everything: All pulls in scope on the band asked for.
        own: Names of the study's pulls.
        channels: One row a pull and grid speed: pull, rpm and the channels.
        ambient_kpa: Air pressure of the cell at each pull, shape (pulls,); NaN where not read.
        baseline: Baseline setup.
        candidate: Candidate setup.

    Raises:
        AnalysisError: The channels that could be used share fewer than four speeds.
    """
    read = read_channels(everything, channels, ambient_kpa)
    member = np.isin(everything.pull, own)
    compared = member & np.isin(everything.setup, [baseline, candidate])
    rows = np.flatnonzero(compared)
    study = everything.take(rows)
    judged = [
        judge_channel(_take(one, rows), study, baseline=baseline, candidate=candidate)
        for one in read
    ]
    usable = tuple(one for one, fault in zip(read, judged, strict=True) if fault is None)
    fit = np.ones(len(everything), dtype=np.bool_)
    for one in usable:
        fit &= one.fit
    _require_both(study, fit[rows], usable, baseline=baseline, candidate=candidate)
    columns = _shared_speeds(usable, compared & fit, len(everything.rpm))
    everything = everything.within(columns)
    usable = tuple(_within(one, columns) for one in usable)
    causes, logs, bent = _logs_of(usable, compared & fit, everything)
    known = np.isfinite(everything.log_torque).all(axis=1) & np.isfinite(logs).all(axis=(0, 2))
    return Scene(
        pulls=everything,
        own=np.flatnonzero(member & fit & known),
        causes=causes,
        logs=logs,
        bent=bent,
        plumbing=_plumbing(usable, channels, everything, compared & fit),
        readings=usable,
        missing=tuple(fault for fault in judged if fault is not None),
        left_out=tuple(everything.pull[row] for row in np.flatnonzero(compared & ~fit)),
    )


def _take(reading: Reading, rows: Ints) -> Reading:
    return Reading(
        name=reading.name,
        values=reading.values[rows],
        unfit=[reading.unfit[int(row)] for row in rows],
    )


def _within(reading: Reading, columns: Flags) -> Reading:
    return Reading(name=reading.name, values=reading.values[:, columns], unfit=reading.unfit)


def _require_both(
    study: CurveSet, fit: Flags, usable: tuple[Reading, ...], *, baseline: str, candidate: str
) -> None:
    for setup in (baseline, candidate):
        own = np.array([name == setup for name in study.setup], dtype=np.bool_)
        if not (own & fit).any():
            words = ", ".join(one.name for one in usable)
            raise AnalysisError(
                f"no pull of '{setup}' has all of the channels that the study's other pulls have "
                f"({words})",
                mend="Log the same channels in every pull.",
            )


def _shared_speeds(usable: tuple[Reading, ...], compared: Flags, speeds: int) -> Flags:
    """Return the longest run of speeds at which every compared pull has every channel."""
    covered = np.ones(speeds, dtype=np.bool_)
    for one in usable:
        covered &= np.isfinite(one.values[compared]).all(axis=0)
    kept = longest_run(covered)
    if kept.sum() < min(LEAST_SPEEDS, speeds):
        raise AnalysisError(
            "the channels of the compared pulls share fewer than four grid speeds (50 rpm apart)",
            mend="Exclude the pull whose channels have holes (see `check`).",
        )
    return kept


def _logs_of(
    usable: tuple[Reading, ...], compared: Flags, everything: CurveSet
) -> tuple[tuple[Cause, ...], Floats, Floats]:
    causes: list[Cause] = []
    logs = np.zeros((len(usable), *everything.log_torque.shape))
    bent = np.zeros(everything.log_torque.shape)
    for at, one in enumerate(usable):
        found = one.logs()
        found[~one.fit] = np.nan
        logs[at] = found - found[compared].mean()
        cause = {"boost": BOOST, "charge_temperature": TEMPERATURE}.get(one.name)
        causes.append(cause or mixture_cause(mean_mixture(one.values[compared])))
        if causes[-1].bend is not None:
            bent = logs[at] ** 2
    return tuple(causes), logs, bent


def _plumbing(
    usable: tuple[Reading, ...], channels: pl.DataFrame, everything: CurveSet, compared: Flags
) -> Floats:
    manifold = next((one.logs() for one in usable if one.name == "boost"), None)
    nothing = np.zeros(everything.log_torque.shape)
    if manifold is None:
        return nothing
    behind = pressure_logs(lay_channel(channels, everything, "compressor_out_pressure"))
    ratio = manifold - behind
    return ratio if np.isfinite(ratio[compared]).all() else nothing
