"""An envelope in sentences: the answer, what to do now, and what the reader must know."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from dynostats.analysis.envelope.band import ALPHA, Band
from dynostats.analysis.envelope.channels import CHANNELS, watch
from dynostats.analysis.envelope.newlog import NewLog
from dynostats.analysis.envelope.reference import OTHER_PACE, Reference
from dynostats.analysis.envelope.result import ChannelRange, Verdict
from dynostats.analysis.envelope.runs import SETTLE_S, Runs
from dynostats.analysis.envelope.steps import CAUTION
from dynostats.curves.sweep import FULL_THROTTLE_SHARE, column_of

# Fewer comparisons of days than this hardly tell how far days differ.
FEW_DAYS = 4
# The band ends a little below the fastest pull, where its smoothing ends.
BEYOND_RPM = 150.0

VEHICLE = (
    "The band holds what differed between pulls and between days on the dyno. Airflow, heat soak, "
    "fuel slosh, other gears and other sensors of a vehicle are not in it: a log outside may show "
    "no more than that, and a log inside was still measured in one place on one day."
)


def say_answer(verdict: Verdict, channels: Sequence[ChannelRange], reference: str) -> str:
    """Return the verdict in a sentence."""
    inside = [one for one in channels if one.status == "inside"]
    outside = [one for one in channels if one.status == "outside"]
    open_ = [one for one in channels if one.needed and one.status == "not_covered"]
    match verdict:
        case "outside":
            return (
                f"Outside the range of the pulls of '{reference}': {_names(outside)} "
                f"({len(outside)} of {len(outside) + len(inside)} channels compared)."
            )
        case "not_enough_covered":
            return (
                f"Not enough covered to tell whether this is within the range of the pulls of "
                f"'{reference}': {_names(open_)}."
            )
        case "inside":
            low = min(one.covered_rpm[0] for one in inside if one.covered_rpm)
            high = max(one.covered_rpm[1] for one in inside if one.covered_rpm)
            return (
                f"Inside the range of the pulls of '{reference}' in all {len(inside)} channels "
                f"compared, {low:,.0f} to {high:,.0f} rpm at full load."
            )


def say_dangers(channels: Sequence[ChannelRange]) -> tuple[str, ...]:
    """Return each danger once, what to do about it first, then the channels that show it."""
    by_why: dict[str, list[str]] = {}
    for one in channels:
        if one.danger:
            by_why.setdefault(watch(one.channel).why, []).append(one.text)
    return tuple(f"Danger to the engine. {why} {' '.join(texts)}" for why, texts in by_why.items())


def say_next(verdict: Verdict, channels: Sequence[ChannelRange]) -> str:
    """Return what to do now."""
    match verdict:
        case "outside":
            first = next(
                (one for one in channels if one.danger),
                next(one for one in channels if one.status == "outside"),
            )
            act = "Do not go on to the next step" if first.danger else "Before the next step"
            return (
                f"{act}: find out why {first.words} is outside. If the cause is known and meant "
                "(another fuel, another day's air), more pulls of the setup under those conditions "
                "widen the range honestly."
            )
        case "not_enough_covered":
            return (
                "Log what is missing, or make one short, watched run at full load over the speeds "
                "named, and check again. What is not covered is not known to be inside."
            )
        case "inside":
            return (
                "Look at the log yourself, then take the next step of the list, short and watched; "
                "check its log before the one after it."
            )


def say_warnings(
    reference: Reference,
    bands: Mapping[str, Band],
    logs: Sequence[NewLog],
    found: Mapping[str, Runs],
) -> tuple[str, ...]:
    """Return what the reader must know besides the dangers."""
    return (
        *_warn_days(bands),
        *_warn_lacking(bands),
        *_warn_outlying(bands),
        *(text for log in logs for text in _warn_log(reference, bands, log, found[log.name])),
        VEHICLE,
        CAUTION,
    )


def _warn_days(bands: Mapping[str, Band]) -> Iterator[str]:
    never = [band for band in bands.values() if band.session_df is None]
    single = [band for band in never if band.sessions == 1]
    few = [band for band in bands.values() if 0 < (band.session_df or 0) < FEW_DAYS]
    if single:
        yield (
            f"No setup with {_list([band.watched.words for band in single])} was ever pulled on "
            "two days, so the band lacks what differs from day to day: a clean log of another day "
            f"will lie outside more often than {ALPHA:.0%}. Pull the reference in another session."
        )
    elif never:
        yield (
            "Every reference pull stands alone in its session: their scatter holds pull and day "
            "together."
        )
    if few:
        df = min(band.session_df or 0 for band in few)
        yield (
            f"How far days differ rests on only {df} comparison{'' if df == 1 else 's'} of days; "
            "the band is wide for it."
        )


def _warn_lacking(bands: Mapping[str, Band]) -> Iterator[str]:
    banks = any(name.startswith("lambda_") for name in bands)
    lacking = [
        watch(name).words
        for name in CHANNELS
        if watch(name).needed and name not in bands and not (name == "lambda" and banks)
    ]
    if lacking:
        yield f"The reference pulls have no {_list(lacking)}: nothing is known of it."


def _warn_outlying(bands: Mapping[str, Band]) -> Iterator[str]:
    by_pulls: dict[tuple[str, ...], list[str]] = {}
    for band in bands.values():
        if band.outlying:
            by_pulls.setdefault(band.outlying, []).append(band.watched.words)
    for pulls, channels in by_pulls.items():
        yield (
            f"{_list(list(pulls))}: unlike the other pulls of the setup in {_list(channels)}, and "
            "left out of that range. `dynostats check` looks at them."
        )


def _warn_log(
    reference: Reference, bands: Mapping[str, Band], log: NewLog, found: Runs
) -> Iterator[str]:
    yield from (f"{log.name}: {remark}" for remark in log.remarks)
    if not found.told_by:
        yield (
            f"{log.name}: nothing in it tells the load (throttle, torque, or boost, as the pulls "
            "have them), so nothing can be compared."
        )
    elif not found.runs:
        yield f"{log.name}: no stretch of it is at the full load of the pulls{_reach(log, found)}."
    if found.told_by and not bands.keys() & set(log.samples.columns):
        yield f"{log.name}: it has none of the channels that the pulls have."
    top = max(float(band.rpm[-1]) for band in bands.values())
    speed = column_of(log.samples, "engine_speed")
    reached = float(np.nanmax(speed)) if np.isfinite(speed).any() else 0.0
    if reached > top + BEYOND_RPM:
        yield (
            f"{log.name}: engine speed reaches {reached:,.0f} rpm; the pulls end at {top:,.0f} "
            "rpm, and nothing is known beyond."
        )
    yield from _warn_pace(reference, log, found)


def _reach(log: NewLog, found: Runs) -> str:
    """Return how far the throttle opened, where that tells the load."""
    if found.told_by != "throttle":
        return ""
    throttle = column_of(log.samples, "throttle")
    if not np.isfinite(throttle).any():
        return ""
    return (
        f": the throttle reaches {np.nanmax(throttle):.0f}% (full load is taken from "
        f"{FULL_THROTTLE_SHARE:.0%} of what the pulls read, for {SETTLE_S:g} s)"
    )


def _warn_pace(reference: Reference, log: NewLog, found: Runs) -> Iterator[str]:
    usual = reference.pace()
    paces = [run.pace for run in found.runs if run.pace]
    if usual is None or not paces:
        return
    fastest = max(paces, key=lambda pace: abs(np.log(pace / usual)))
    if not 1.0 / OTHER_PACE <= fastest / usual <= OTHER_PACE:
        yield (
            f"{log.name}: engine speed rises at {fastest:,.0f} rpm/s, in the pulls at "
            f"{usual:,.0f}: boost, temperatures and slow sensors lag differently. Where it is "
            "faster, exhaust temperature, which lags most, is judged on the hot side only."
        )


def _names(channels: Sequence[ChannelRange]) -> str:
    return _list([one.words for one in channels]) or "none of the channels"


def _list(words: Sequence[str]) -> str:
    return (
        words[0]
        if len(words) == 1
        else ", ".join(words[:-1]) + " and " + words[-1]
        if words
        else ""
    )
