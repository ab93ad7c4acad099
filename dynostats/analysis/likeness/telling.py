"""What distances mean: as like as two pulls of one setup or not, and what sets pulls apart."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import polars as pl

from dynostats.analysis.copies import LEAST_SHARED, SAME_LOG
from dynostats.analysis.likeness.repeats import LEVEL, ChannelNoise, Repeats
from dynostats.analysis.likeness.result import CONDITIONS, By, SimilarPulls
from dynostats.analysis.repeatability import limit_factor

# A condition this many SDs of all stored pulls away is worth a word.
_APART_SDS = 1.0


def tell_similar(
    pull: str,
    by: By,
    matches: pl.DataFrame,
    curves: pl.DataFrame,
    *,
    band: tuple[float, float],
    least_overlap: float,
    repeats: tuple[Repeats, Repeats],
    repeats_from: str,
    noise: Sequence[ChannelNoise] = (),
    spread: Mapping[str, float] | None = None,
    lacking: Sequence[str] = (),
) -> SimilarPulls:
    """Say what the distances of the nearest pulls mean.

    Args:
        pull: The pull they are held against.
        by: What they are ordered by.
        matches: As `SimilarPulls.matches`, with `compared`, without `like` and `differs`.
        curves: As `SimilarPulls.curves`.
        band: First and last speed compared, rpm.
        least_overlap: Share of those speeds that a match must cover.
        repeats: How far pulls of one setup lie apart in one session, and in two.
        repeats_from: Which pulls those were.
        noise: Pull-to-pull noise of the channels shown.
        spread: SD of each condition over all stored pulls, where it was asked for.
        lacking: Channels asked for whose noise is not known.
    """
    one, two = repeats
    rows = [
        row
        | {
            "like": _like(row, by, one, two) if row["overlap"] >= least_overlap else None,
            "differs": "; ".join(_differs(row, one, noise, spread or {})),
        }
        for row in matches.drop("compared").iter_rows(named=True)
    ]
    told = pl.DataFrame(
        rows, schema={**matches.drop("compared").schema, "like": pl.String, "differs": pl.String}
    )
    return SimilarPulls(
        pull=pull,
        by=by,
        unit="%" if by in {"shape", "level"} else "SD",
        band=band,
        least_overlap=least_overlap,
        compared=int(matches["compared"][0]),
        matches=told,
        curves=curves,
        one_session=one,
        two_sessions=two,
        repeats_from=repeats_from,
        noise=tuple(noise),
        answer=_answer(pull, by, told, one, compared=int(matches["compared"][0])),
        warnings=(*_warn_same(pull, told), *_warnings(told, by, one, two, lacking)),
        method=_method(by, spread or {}),
    )


def _measure(by: By) -> str:
    """Return which distance of torque says whether two pulls are as like as repeats."""
    return "shape_pct" if by == "shape" else "whole_pct"


def _like(row: Mapping[str, Any], by: By, one: Repeats, two: Repeats) -> str | None:
    name = _measure(by)
    near, far = getattr(one, name), getattr(two, name)
    if near is None and far is None:
        return None
    if near is not None and row[name] <= near:
        return "one_session"
    if far is not None and row[name] <= far:
        return "two_sessions"
    return None if near is None or far is None else "neither"


def _differs(
    row: Mapping[str, Any],
    one: Repeats,
    noise: Sequence[ChannelNoise],
    spread: Mapping[str, float],
) -> Iterator[str]:
    if one.shape_pct is not None and row["shape_pct"] > one.shape_pct:
        yield f"shape by {row['shape_pct']:.2f}% (repeats: {one.shape_pct:.2f}%)"
    if one.level_pct is not None and 100.0 * abs(_log(row["level_pct"])) > one.level_pct:
        yield f"level by {row['level_pct']:+z.2f}% (repeats: ±{one.level_pct:.2f}%)"
    for channel in noise:
        sds = row[f"{channel.channel}_sd"]
        if sds is not None and sds > limit_factor(channel.df):  # pyright: ignore[reportArgumentType]
            yield (
                f"{channel.channel.replace('_', ' ')} by {sds:.1f} SD "
                f"(mean {row[f'{channel.channel}_difference']:+.3g})"
            )
    for name, sd in spread.items():
        difference = row.get(f"{name}_difference")
        if difference is not None and abs(difference) > _APART_SDS * sd:
            words = name.rsplit("_", 1)[0].replace("_", " ")
            yield f"{words} by {difference:+.1f} {CONDITIONS[name]}"


def _log(percent: float) -> float:
    return math.log1p(percent / 100.0)


def _answer(pull: str, by: By, told: pl.DataFrame, one: Repeats, *, compared: int) -> str:
    first = told.row(0, named=True)
    name = _measure(by)
    limit = getattr(one, name)
    words = {
        "shape": f"{first['shape_pct']:.2f}% apart in shape",
        "level": f"{first['whole_pct']:.2f}% apart in torque",
        "channels": f"{first['distance']:.2f} SD apart in the channels",
        "conditions": f"{first['distance']:.2f} SD apart in conditions",
    }[by]
    nearest = (
        f"Of {compared} pulls, {first['pull']} ({first['setup']}, {first['engine']}, session "
        f"{first['session']}) is most like {pull}: {words}."
    )
    torque = "their shape" if by == "shape" else "their torque"
    if limit is None:
        return f"{nearest} Repeats are too few to say whether that is more than noise."
    like = told.filter(like="one_session").height
    return (
        f"{nearest} Of the {told.height} listed, {like} {'is' if like == 1 else 'are'} as like it "
        f"in {torque} as two pulls of one setup in a session ({LEVEL:.0%} of such pairs lie within "
        f"{limit:.2f}%)."
    )


def _warn_same(pull: str, told: pl.DataFrame) -> Iterator[str]:
    same = told.filter(pl.col("whole_pct") <= 100.0 * SAME_LOG, pl.col("speeds") >= LEAST_SHARED)
    if not same.is_empty():
        yield (
            f"{', '.join(same['pull'])}: the torque of {pull} at every speed, nearer than pulls "
            "repeat; one pull filed twice is no repeat. Look at the files."
        )


def _warnings(
    told: pl.DataFrame, by: By, one: Repeats, two: Repeats, lacking: Sequence[str]
) -> Iterator[str]:
    if one.shape_pct is None:
        yield (
            f"Only {one.pairs} pairs of pulls of one setup in a session are known; from 19 on it "
            "can be said how far such pairs lie apart."
        )
    elif two.shape_pct is None:
        yield (
            f"Only {two.pairs} pairs of pulls of one setup in two sessions are known: how far days "
            "differ is not known."
        )
    if told["dyno"].n_unique() > 1 and by != "shape":
        yield "Pulls of several dynos are listed: their levels do not compare."
    if lacking:
        yield (
            f"How far {', '.join(lacking)} repeats is not known: no setup with it was pulled twice "
            "in a session."
        )


def _method(by: By, spread: Mapping[str, float]) -> dict[str, object]:
    return {
        "distance": {
            "shape": "root mean square over common speeds of the difference of log torque, its "
            "mean taken out, times 100",
            "level": "root mean square over common speeds of the difference of log torque, times "
            "100",
            "channels": "root mean square over speeds and channels of the difference in "
            "pull-to-pull standard deviations of each channel",
            "conditions": "root mean square over conditions of the difference in standard "
            "deviations of each over all accepted pulls; only pulls of which all is known",
        }[by],
        "like": f"within what {LEVEL:.0%} of pairs of pulls of one setup lie within: the order "
        "statistic of rank ceil(0.95 (pairs + 1)), which a further pair stays within with that "
        "chance if pairs are exchangeable; pairs that share a pull are less independent than that",
        "channels": "a channel is named as different where its distance is beyond t(0.975, df) "
        "times the square root of 2, the limit for two single pulls at one speed (ISO 5725-6)",
        "spread": dict(spread),
    }
