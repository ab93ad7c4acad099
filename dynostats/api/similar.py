"""Pulls most like one, gathered from the warehouse; a result that draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

import numpy as np
import polars as pl

from dynostats.analysis.likeness import (
    CONDITIONS,
    By,
    ChannelNoise,
    Repeats,
    SimilarPulls,
    channel_noise,
    repeats_of,
    scope_of,
    tell_similar,
    without_copies,
)
from dynostats.api.names import require_name
from dynostats.api.results import as_html, fields_of
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError, InputError
from dynostats.warehouse import Store
from dynostats.warehouse.named import Value

if TYPE_CHECKING:
    import altair as alt

_USUAL_CHANNELS = ("manifold_pressure", "charge_temperature", "lambda", "fuel_flow", "oil_pressure")
_STARTS = ("charge_temperature", "oil_temperature", "coolant_temperature")
_ENOUGH_PAIRS = 19


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LikePulls(SimilarPulls):
    """Pulls most like one, which can draw themselves."""

    @classmethod
    def of(cls, result: SimilarPulls) -> LikePulls:
        """Return a search with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self) -> alt.LayerChart:
        """Return the differences of the nearest pulls over engine speed."""
        from dynostats.charts.likeness import likeness_chart

        return likeness_chart(self)

    def _repr_html_(self) -> str:
        shown = ("pull", "engine", "session", "setup", "distance", "like", "differs")
        table = self.matches.select(shown)._repr_html_()  # pyright: ignore[reportPrivateUsage]
        return as_html(self.answer, self.chart()) + table


def gather_similar(
    store: Store,
    pull: str,
    *,
    by: str,
    channels: Sequence[str] | None,
    band: tuple[float, float] | None,
    least_overlap: float,
    engine: str | None,
    dyno: str | None,
    most: int,
) -> SimilarPulls:
    """Find the pulls most like one; see `Warehouse.similar`."""
    kind = _checked(by, least_overlap=least_overlap, most=most)
    pulls = store.pulls()
    require_name(pull, pulls["pull"].to_list(), kind="pull")
    for label, name in (("engine", engine), ("dyno", dyno)):
        if name is not None:
            require_name(name, pulls[label].drop_nulls().unique().to_list(), kind=label)
    torque = _curve_of(store, pull)
    rpm = _compared(torque, band)
    where = {"engine": engine, "dyno": dyno}
    scope = scope_of(pulls, pull)
    learned = store.curves(scope["pull"].to_list())
    scope = without_copies(scope, learned)
    noise, lacking = _noise(store, scope, pull, by=kind, channels=channels, rpm=rpm)
    ranked = _ranked(
        store, pull, kind, noise, rpm=rpm, least_overlap=least_overlap, where=where, most=most
    )
    matches = _matches(store, pull, kind, ranked, rpm=rpm, least=least_overlap, where=where,
                       most=most)  # fmt: skip
    names = matches["pull"].to_list()
    if noise and kind != "channels":
        beside = _near_channels(store, pull, noise, rpm, least_overlap, pulls=names, most=most)
        matches = _join(matches, beside, suffixes=("difference", "sd"))
    spread: dict[str, float] = {}
    if kind == "conditions" and ranked is not None:
        spread = _spread(ranked)
    elif kind != "conditions":
        matches = _with_conditions(store, matches, pulls, pull)
    repeats, said = _repeats(scope, learned, pulls, pull, rpm=rpm, least_overlap=least_overlap)
    return tell_similar(
        pull,
        kind,
        matches,
        _differences(store, torque.filter(pl.col("rpm").is_in(rpm)), names),
        band=(float(rpm[0]), float(rpm[-1])),
        least_overlap=least_overlap,
        repeats=repeats,
        repeats_from=said,
        noise=list(noise.values()),
        spread=spread,
        lacking=lacking,
    )


def _checked(by: str, *, least_overlap: float, most: int) -> By:
    for kind in get_args(By):
        if kind == by:
            break
    else:
        raise InputError(
            f"pulls cannot be ordered by '{by}'",
            where="--by",
            mend=f"Ways: {', '.join(get_args(By))}.",
        )
    if not 0.0 < least_overlap <= 1.0:
        raise InputError(
            f"the least overlap is {least_overlap:g}; it must be above 0 and at most 1",
            where="--overlap",
        )
    if most < 1:
        raise InputError(f"{most} pulls are wanted; at least 1 can be", where="--most")
    return kind


def _curve_of(store: Store, pull: str) -> pl.DataFrame:
    torque = store.curves([pull]).filter(pl.col("torque") > 0)
    if torque.is_empty():
        raise AnalysisError(
            f"{pull} has no torque curve, so nothing can be held against it",
            where=f"pull {pull}",
            mend=f"`dynostats check {pull}` says why.",
        )
    return torque


def _compared(torque: pl.DataFrame, band: tuple[float, float] | None) -> Floats:
    low, high = band or (float("-inf"), float("inf"))
    rpm = torque.filter(pl.col("rpm").is_between(low, high))["rpm"].to_numpy()
    if not rpm.size:
        raise AnalysisError(
            f"the pull covers nothing of {low:g} to {high:g} rpm",
            where="--band",
            mend=f"It covers {torque['rpm'].min():g} to {torque['rpm'].max():g} rpm.",
        )
    return np.sort(rpm)


def _noise(
    store: Store,
    scope: pl.DataFrame,
    pull: str,
    *,
    by: By,
    channels: Sequence[str] | None,
    rpm: Floats,
) -> tuple[dict[str, ChannelNoise], list[str]]:
    """Return the noise of the channels to be compared, and those whose noise is not known."""
    wanted = list(dict.fromkeys(channels or (_USUAL_CHANNELS if by == "channels" else ())))
    if not wanted:
        return {}, []
    own = store.curves([pull], channels=wanted).filter(pl.col("rpm").is_in(rpm))
    absent = [name for name in wanted if own[name].null_count() == own.height]
    if channels is not None and absent:
        raise AnalysisError(
            f"{pull} has no curve of {', '.join(absent)}",
            where="--channel",
            mend="`dynostats query channels` lists what is stored.",
        )
    wanted = [name for name in wanted if name not in absent]
    curves = store.curves(scope["pull"].to_list(), channels=wanted)
    noise = channel_noise(scope, curves.filter(pl.col("rpm").is_in(rpm)), wanted)
    lacking = [name for name in wanted if name not in noise]
    if by == "channels" and not noise:
        raise AnalysisError(
            f"how far {', '.join(wanted) or 'the channels of this pull'} repeats is not known, so "
            "a difference cannot be told from noise",
            where="--channel",
            mend="Pull a setup twice in one session with these channels logged, or order by shape.",
        )
    return noise, lacking


def _ranked(
    store: Store,
    pull: str,
    by: By,
    noise: dict[str, ChannelNoise],
    *,
    rpm: Floats,
    least_overlap: float,
    where: dict[str, str | None],
    most: int,
) -> pl.DataFrame | None:
    """Return the nearest by channels or conditions; None where torque orders them."""
    if by == "channels":
        return _near_channels(store, pull, noise, rpm, least_overlap, most=most, **where)
    if by == "conditions":
        return store.query("store/near_conditions", {"pull": pull, "most": most, **where})
    return None


def _near_channels(
    store: Store,
    pull: str,
    noise: dict[str, ChannelNoise],
    rpm: Floats,
    least_overlap: float,
    *,
    most: int,
    pulls: Sequence[str] | None = None,
    engine: str | None = None,
    dyno: str | None = None,
) -> pl.DataFrame:
    return store.query(
        "store/near_channels",
        {
            "pull": pull,
            "channels": list(noise),
            "sds": [one.sd for one in noise.values()],
            "pulls": pulls,
            "low": float(rpm[0]),
            "high": float(rpm[-1]),
            "least_overlap": least_overlap,
            "engine": engine,
            "dyno": dyno,
            "most": most,
        },
    )


def _matches(
    store: Store,
    pull: str,
    by: By,
    ranked: pl.DataFrame | None,
    *,
    rpm: Floats,
    least: float,
    where: dict[str, str | None],
    most: int,
) -> pl.DataFrame:
    asked = {"pull": pull, "low": float(rpm[0]), "high": float(rpm[-1]), "most": most} | where
    if ranked is None:
        found = store.query("similar_pulls", asked | {"by": by, "least_overlap": least})
        if found.is_empty():
            raise _no_overlap(store, asked, pull, least)
        name = "shape_pct" if by == "shape" else "whole_pct"
        return found.with_columns(distance=pl.col(name))
    if ranked.is_empty():
        raise AnalysisError(
            f"no other pull can be held against {pull} in its {by}",
            where=f"pull {pull}",
            mend="Order by shape, or name channels that other pulls have, too."
            if by == "channels"
            else "Its sheet gives no air and its log no start temperature that others have, too.",
        )
    found = store.query(
        "similar_pulls", asked | {"pulls": ranked["pull"].to_list(), "least_overlap": 0.0}
    ).drop("compared")
    both = _join(found, ranked, suffixes=("difference", "sd" if by == "channels" else ""))
    return both.join(ranked.select("pull", "distance", "compared"), on="pull").sort("distance")


def _join(matches: pl.DataFrame, near: pl.DataFrame, *, suffixes: tuple[str, str]) -> pl.DataFrame:
    """Return the matches with a column a difference, and a column a distance if it has a name."""
    names = "channels" if "channels" in near.columns else "conditions"
    rows = [
        {"pull": row["pull"]}
        | {
            f"{name}_{suffix}": value
            for suffix, values in zip(suffixes, (row["differences"], row["distances"]), strict=True)
            if suffix
            for name, value in zip(row[names], values, strict=True)
        }
        for row in near.iter_rows(named=True)
    ]
    if not rows:
        return matches
    return matches.join(pl.DataFrame(rows), on="pull", how="left", maintain_order="left")


def _no_overlap(store: Store, asked: Mapping[str, Value], pull: str, least: float) -> AnalysisError:
    any_at_all = store.query(
        "similar_pulls",
        {**asked, "least_overlap": 0.0, "most": 1_000_000},
    )
    best = any_at_all.sort("overlap", descending=True).head(1)
    low, high = asked["low"], asked["high"]
    nearest = (
        "No other accepted pull in this scope covers any of it."
        if best.is_empty()
        else f"The most has {best['pull'][0]}, {best['overlap'][0]:.0%}: lower --overlap, or "
        f"narrow --band to {best['from_rpm'][0]:g}:{best['to_rpm'][0]:g}."
    )
    return AnalysisError(
        f"no other pull covers {least:.0%} of {low:g} to {high:g} rpm, which {pull} is compared "
        "over",
        where=f"pull {pull}",
        mend=nearest,
    )


def _spread(near: pl.DataFrame) -> dict[str, float]:
    """Return the SD that each condition was divided by."""
    found: dict[str, float] = {}
    for row in near.iter_rows(named=True):
        for name, difference, distance in zip(
            row["conditions"], row["differences"], row["distances"], strict=True
        ):
            if distance:
                found[name] = difference / distance
    return found


def _with_conditions(
    store: Store, matches: pl.DataFrame, pulls: pl.DataFrame, pull: str
) -> pl.DataFrame:
    """Return the matches with how far their air and start temperatures are from the pull's."""
    names = [pull, *matches["pull"].to_list()]
    starts = (
        store.curves(names, channels=_STARTS)
        .group_by("pull")
        .agg(
            pl.col(name).sort_by("rpm").drop_nulls().first().alias(f"start_{name}_c")
            for name in _STARTS
        )
    )
    known = (
        pulls.filter(pl.col("pull").is_in(names))
        .join(starts, on="pull", how="left")
        .select("pull", *CONDITIONS)
    )
    own = known.filter(pull=pull).row(0, named=True)
    differences = known.select(
        "pull",
        *(
            (pl.col(name) - pl.lit(own[name], dtype=pl.Float64)).alias(f"{name}_difference")
            for name in CONDITIONS
        ),
    )
    return matches.join(differences, on="pull", how="left", maintain_order="left")


def _repeats(
    scope: pl.DataFrame,
    curves: pl.DataFrame,
    pulls: pl.DataFrame,
    pull: str,
    *,
    rpm: Floats,
    least_overlap: float,
) -> tuple[tuple[Repeats, Repeats], str]:
    """Return how far repeats lie apart, from the pull's own engine where it has enough."""
    own = pulls.filter(pull=pull).row(0, named=True)
    mine = scope.filter(engine=own["engine"])
    found = repeats_of(mine, curves, rpm=rpm, least_overlap=least_overlap)
    where = "" if own["dyno"] is None else f" on dyno '{own['dyno']}'"
    if found[0].pairs >= _ENOUGH_PAIRS or mine.height == scope.height:
        return found, f"accepted pulls of {own['engine']}{where}"
    wide = repeats_of(scope, curves, rpm=rpm, least_overlap=least_overlap)
    return wide, f"accepted pulls of all engines{where}"


def _differences(store: Store, torque: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """Return the differences from a pull over engine speed, percent of it."""
    others = store.curves(list(names)).rename({"torque": "other"})
    difference = 100.0 * (pl.col("other") / pl.col("torque") - 1.0)
    order = pl.DataFrame({"pull": list(names), "place": range(len(names))})
    return (
        others.join(torque.select("rpm", "torque"), on="rpm", how="inner")
        .join(order, on="pull")
        .filter(pl.col("other") > 0)
        .sort("place", "rpm")
        .select("pull", "rpm", difference_pct=difference)
    )
