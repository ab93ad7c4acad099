"""New logs against the range of the accepted pulls: the whole check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict

import numpy as np
import polars as pl

from dynostats.analysis.envelope.band import ALPHA, CONFIDENCE, CONTENT, Band, learn_band
from dynostats.analysis.envelope.channels import Watched, watched_in
from dynostats.analysis.envelope.judge import (
    LEAST_COVERED,
    Compared,
    compare_runs,
    judge_channel,
    judge_unbanded,
)
from dynostats.analysis.envelope.newlog import NewLog
from dynostats.analysis.envelope.reference import Reference
from dynostats.analysis.envelope.result import ChannelRange, Envelope, LogCoverage, Verdict
from dynostats.analysis.envelope.runs import SETTLE_S, Load, Runs, find_runs, sample_variance
from dynostats.analysis.envelope.steps import plan_steps
from dynostats.analysis.envelope.words import say_answer, say_dangers, say_next, say_warnings
from dynostats.errors import AnalysisError

_BAND_COLUMNS = {
    "channel": pl.String,
    "rpm": pl.Float64,
    "mean": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "usable": pl.Boolean,
}
_POINT_COLUMNS = {
    "channel": pl.String,
    "log": pl.String,
    "run": pl.Int64,
    "rpm": pl.Float64,
    "value": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "outside": pl.Boolean,
}


def check_envelope(reference: Reference, logs: Sequence[NewLog]) -> Envelope:
    """Say whether new logs lie within the range of the accepted pulls of a setup.

    Args:
        reference: The pulls and the history around them.
        logs: The logs, names distinct. Each by itself is called outside by chance at most `ALPHA`
            of the time when it is one more pull of the setup in one more session.

    Returns:
        The finding, channel by channel, dangers first.

    Raises:
        AnalysisError: The reference pulls have none of the channels that are watched.
    """
    watched = watched_in(reference.channels)
    alone = learn_bands(reference, watched)
    load = _load_of(reference, alone)
    found = {log.name: find_runs(log.samples, load, watched) for log in logs}
    bands = _hold_together(alone, logs, found)
    compared = {name: _compare(reference, band, found) for name, band in bands.items()}
    channels = tuple(
        judge_channel(bands[one.channel], compared[one.channel])
        if one.channel in bands
        else judge_unbanded(one)
        for one in watched
    )
    verdict = _conclude(channels)
    rpm = np.concatenate([band.rpm for band in bands.values()])
    return Envelope(
        engine=reference.engine,
        dyno=reference.dyno,
        reference=reference.setup,
        alpha=ALPHA,
        verdict=verdict,
        answer=say_answer(verdict, channels, reference.setup),
        channels=channels,
        bands=pl.DataFrame(_band_rows(bands), schema=_BAND_COLUMNS, orient="row"),
        points=pl.DataFrame(_point_rows(compared), schema=_POINT_COLUMNS, orient="row"),
        logs=tuple(_coverage(name, runs) for name, runs in found.items()),
        dangers=say_dangers(channels),
        warnings=say_warnings(reference, bands, logs, found),
        steps=plan_steps(float(rpm.min()), float(rpm.max()), reference=reference.setup),
        next=say_next(verdict, channels),
        method=_describe(bands),
    )


def learn_bands(reference: Reference, watched: Sequence[Watched]) -> dict[str, Band]:
    """Learn the bands of all channels that two reference pulls have, each by itself.

    Raises:
        AnalysisError: There is none.
    """
    learned = (
        learn_band(one, reference.table(one.channel), engine=reference.engine) for one in watched
    )
    bands = {band.watched.channel: band for band in learned if band is not None}
    if not bands:
        raise AnalysisError(
            f"no two pulls of setup '{reference.setup}' share a channel that protects the engine "
            "(boost, mixture, fuel or oil pressure, a temperature)",
            where="--reference",
            mend="Log such channels in the pulls; a --channels file names those of your logger.",
        )
    return bands


def _load_of(reference: Reference, bands: Mapping[str, Band]) -> Load:
    there = reference.channels
    boost = bands.get("manifold_pressure")
    return Load(
        throttle=reference.mean_of("throttle") if "throttle" in there else None,
        least_boost=None if boost is None else (boost.rpm, boost.edges()[0]),
        torque="torque" in there,
    )


def _hold_together(
    bands: Mapping[str, Band], logs: Sequence[NewLog], found: Mapping[str, Runs]
) -> dict[str, Band]:
    """Widen the bands so that those of all channels and runs of a log hold together."""
    there = {name for log in logs for name in log.samples.columns}
    channels = sum(name in there for name in bands)
    runs = max((len(one.runs) for one in found.values()), default=0)
    family = max(channels, 1) * max(runs, 1)
    return {name: band.for_family(family) for name, band in bands.items()}


def _compare(reference: Reference, band: Band, found: Mapping[str, Runs]) -> tuple[Compared, ...]:
    scatter = [sample_variance(samples, band.watched) for samples in reference.samples]
    known = [value for value in scatter if value is not None]
    sampling = float(np.mean(known)) if known else 0.0
    runs = {name: one.runs for name, one in found.items()}
    return compare_runs(band, runs, sampling=sampling, pace=reference.pace())


def _conclude(channels: Sequence[ChannelRange]) -> Verdict:
    """Outside if anything is; inside only if everything that is needed was compared."""
    if any(one.status == "outside" for one in channels):
        return "outside"
    needed = [one for one in channels if one.needed]
    lacking = any(one.status == "not_covered" for one in needed)
    some = any(one.status == "inside" for one in channels)
    return "inside" if some and not lacking else "not_enough_covered"


def _coverage(name: str, runs: Runs) -> LogCoverage:
    return LogCoverage(
        log=name,
        rows=runs.rows,
        loaded_rows=runs.loaded,
        runs=len(runs.runs),
        told_by=runs.told_by,
    )


def _band_rows(bands: Mapping[str, Band]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for name, band in bands.items():
        columns = (band.rpm, band.watched.to_unit(band.mean), *band.edges(), band.usable())
        rows += [(name, *row) for row in zip(*(part.tolist() for part in columns), strict=True)]
    return rows


def _point_rows(compared: Mapping[str, Sequence[Compared]]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for name, parts in compared.items():
        for one in parts:
            columns = (one.rpm, one.value, one.low, one.high, one.outside)
            rows += [
                (name, one.log, one.run, *row)
                for row in zip(*(part.tolist() for part in columns), strict=True)
            ]
    return rows


def _describe(bands: Mapping[str, Band]) -> dict[str, object]:
    first = next(iter(bands.values()))
    return {
        "band": "mean of the reference pulls (sessions weigh alike) +/- factor x standard error of "
        "one more pull in one more session, on the log scale; temperatures relative to 0 K",
        "factor": "parametric bootstrap of the studentised field, each variance estimated anew in "
        "each draw; alpha split evenly over channels and runs (Bonferroni)",
        "family": first.family,
        "alpha": ALPHA,
        "tolerance": {
            "content": CONTENT,
            "confidence": CONFIDENCE,
            "source": "Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, eq. 2.3.6",
        },
        "least_covered": LEAST_COVERED,
        "settling_s": SETTLE_S,
        "channels": {
            name: {
                key: value
                for key, value in asdict(band.watched).items()
                if key in {"widest", "danger", "needed"}
            }
            for name, band in bands.items()
        },
    }
