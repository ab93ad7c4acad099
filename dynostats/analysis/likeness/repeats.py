"""How far pulls of one setup lie apart, in the same measures as any two pulls."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

from dynostats.analysis.copies import find_copies
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.study import MOST_SCOPE
from dynostats.arrays import Floats

LEVEL = 0.95
# So many pulls of a setup are laid against each other across sessions, the nearest in time.
_MOST_OF_SETUP = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """How far two pulls of one setup lie apart: 95% of such pairs lie within these limits.

    Args:
        pairs: Pairs looked at; below 19 their limits are not known.
        shape_pct: Limit of the shape distance, percent (100 times log); None where not known.
        level_pct: Limit of the mean difference, either sign, likewise.
        whole_pct: Limit of the distance with the level kept, likewise.
    """

    pairs: int
    shape_pct: float | None
    level_pct: float | None
    whole_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNoise:
    """Pull-to-pull standard deviation of a channel.

    Args:
        channel: Its name.
        sd: In the channel's unit, pooled over engine speeds.
        df: Degrees of freedom: pulls less one a setup and session.
    """

    channel: str
    sd: float
    df: int


def scope_of(pulls: pl.DataFrame, pull: str) -> pl.DataFrame:
    """Return the accepted pulls on a pull's dyno that noise is learned from, at most 600.

    Args:
        pulls: One row a stored pull.
        pull: Its name. Its own engine's come first, then the nearest in the order of storing.
    """
    own = pulls.filter(pull=pull).row(0, named=True)
    number = pl.col("pull").str.slice(1).cast(pl.Int64)
    away = (number - int(pull[1:])).abs()
    return (
        pulls.filter(pl.col("dyno").eq_missing(pl.lit(own["dyno"])), state="accepted")
        .with_columns(away=away, other=pl.col("engine") != own["engine"], number=number)
        .sort("other", "away")
        .head(MOST_SCOPE)
        .sort("number")
        .drop("away", "other", "number")
    )


def without_copies(scope: pl.DataFrame, curves: pl.DataFrame) -> pl.DataFrame:
    """Return the pulls without those that are another pull filed twice: no repeat of anything.

    Args:
        scope: One row a pull.
        curves: Their torque: pull, rpm, torque (N.m).
    """
    if scope.is_empty() or curves.is_empty():
        return scope
    return scope.filter(~pl.col("pull").is_in(list(find_copies(curve_set(scope, curves)))))


def repeats_of(
    scope: pl.DataFrame, curves: pl.DataFrame, *, rpm: Floats, least_overlap: float
) -> tuple[Repeats, Repeats]:
    """Return how far pulls of one setup lie apart in one session, and in two.

    Args:
        scope: One row a pull.
        curves: Their torque: pull, rpm, torque (N.m).
        rpm: Grid speeds compared, rpm.
        least_overlap: Share of them that both pulls of a pair must cover.
    """
    if scope.is_empty() or curves.is_empty():
        return _limits([]), _limits([])
    laid = curve_set(scope, curves)
    laid = laid.within(np.isin(laid.rpm, rpm))
    least = least_overlap * len(rpm)
    one = list(_distances(laid, _pairs(laid, same_session=True), least))
    two = list(_distances(laid, _pairs(laid, same_session=False), least))
    return _limits(one), _limits(two)


def channel_noise(
    scope: pl.DataFrame, curves: pl.DataFrame, channels: Sequence[str]
) -> dict[str, ChannelNoise]:
    """Return the pull-to-pull noise of channels, from setups repeated within a session.

    Args:
        scope: One row a pull.
        curves: pull, rpm and the channels.
        channels: Those wanted; one that no setup repeats, or that never moves, is left out.
    """
    group = ["engine", "dyno", "session", "setup"]
    laid = curves.join(scope.select("pull", *group), on="pull", how="inner")
    found: dict[str, ChannelNoise] = {}
    for name in channels:
        spread = (
            laid.drop_nulls(name)
            .group_by(*group, "rpm")
            .agg(n=pl.len(), variance=pl.col(name).var())
            .filter(pl.col("n") > 1)
            .with_columns(df=pl.col("n") - 1)
        )
        pulls = spread.group_by(group).agg(pl.col("df").max())["df"].sum()
        if spread.height and pulls:
            weight = spread["df"].cast(pl.Float64).to_numpy()
            variance = float(np.average(spread["variance"].to_numpy(), weights=weight))
            if variance > 0.0:
                found[name] = ChannelNoise(channel=name, sd=math.sqrt(variance), df=int(pulls))
    return found


def _pairs(laid: CurveSet, *, same_session: bool) -> Iterator[tuple[int, int]]:
    setups: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(laid.engine, laid.setup, strict=True)):
        setups.setdefault(key, []).append(row)
    for rows in setups.values():
        kept = rows if same_session else rows[-_MOST_OF_SETUP:]
        for i, j in combinations(kept, 2):
            if (laid.session[i] == laid.session[j]) == same_session:
                yield i, j


def _distances(
    laid: CurveSet, pairs: Iterator[tuple[int, int]], least: float
) -> Iterator[tuple[float, float, float]]:
    for i, j in pairs:
        difference = laid.log_torque[j] - laid.log_torque[i]
        common = difference[np.isfinite(difference)]
        if len(common) and len(common) >= least:
            level, shape = float(common.mean()), float(common.std())
            yield shape, abs(level), math.hypot(shape, level)


def _limits(distances: list[tuple[float, float, float]]) -> Repeats:
    """Return the order statistic that a further pair lies within with at least that chance."""
    pairs = len(distances)
    place = math.ceil(LEVEL * (pairs + 1)) - 1
    if place >= pairs:
        return Repeats(pairs=pairs, shape_pct=None, level_pct=None, whole_pct=None)
    shape, level, whole = (100.0 * np.sort(np.array(distances), axis=0)[place]).tolist()
    return Repeats(pairs=pairs, shape_pct=shape, level_pct=level, whole_pct=whole)
