"""All past studies together: kinds of change, the best of them, and what no longer stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control, norm

from dynostats.analysis.conclude import as_percent
from dynostats.analysis.synthesis.claims import find_claims
from dynostats.analysis.synthesis.kinds import errors_of, find_kind, find_moderators
from dynostats.analysis.synthesis.past import PastStudy, StudyEffect, Then, shared_errors
from dynostats.analysis.synthesis.random_effects import LEAST_STUDIES
from dynostats.analysis.synthesis.result import History
from dynostats.analysis.synthesis.shrinkage import shrink
from dynostats.analysis.synthesis.words import describe, say_answer, say_next, say_warnings

NO_KIND = "no kind stated"
"""What studies are grouped under of which nobody said what was changed."""

_OTHERS = "all other studies"
_SCHEMA = {
    "engine": pl.String,
    "baseline": pl.String,
    "candidate": pl.String,
    "kind": pl.String,
    "changed": pl.String,
    "started": pl.Datetime,
    "effect_pct": pl.Float64,
    "low_pct": pl.Float64,
    "high_pct": pl.Float64,
    "p_value": pl.Float64,
    "p_adjusted": pl.Float64,
    "found": pl.Boolean,
    "verdict": pl.String,
    "claimed": pl.String,
    "shrunken_pct": pl.Float64,
    "shrunken_low_pct": pl.Float64,
    "shrunken_high_pct": pl.Float64,
    "chance_of_gain": pl.Float64,
    "own_weight": pl.Float64,
    "drawn_to": pl.String,
    "baseline_pulls": pl.Int64,
    "candidate_pulls": pl.Int64,
    "design": pl.String,
    "from_rpm": pl.Float64,
    "to_rpm": pl.Float64,
    "lacking": pl.String,
    "doubts": pl.List(pl.String),
    "made_at": pl.Datetime,
    "by_eye_pct": pl.Float64,
    "then_verdict": pl.String,
    "then_effect_pct": pl.Float64,
    "then_error_pct": pl.Float64,
    "error_pct": pl.Float64,
    "since": pl.List(pl.String),
    "added": pl.Int64,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A past study that could not be judged.

    Args:
        study: Which.
        why: The reason.
    """

    study: PastStudy
    why: str


def tell_history(
    studies: Sequence[StudyEffect],
    left_out: Sequence[LeftOut] = (),
    *,
    alpha: float = 0.05,
    margin_pct: float = 0.5,
) -> History:
    """Put all past studies together.

    Args:
        studies: What each shows today.
        left_out: Those that could not be judged.
        alpha: One less the level of the intervals, and the share of false ones accepted among the
            changes that are called found.
        margin_pct: Smallest change that matters, percent.

    Source: Benjamini & Hochberg (1995), J. Royal Statistical Society B 57:289, for the share of
    false findings; `random_effects` and `shrinkage` for the rest.
    """
    judged = [one for one in studies if one.error is not None]
    kinds: dict[str, list[StudyEffect]] = {}
    for one in judged:
        if one.study.kind is not None:
            kinds.setdefault(one.study.kind, []).append(one)
    kinds = dict(sorted(kinds.items(), key=lambda item: (-len(item[1]), item[0])))
    table = _table(studies, judged, kinds, alpha=alpha)
    found = tuple(
        find_kind(kind, own, alpha=alpha, margin_pct=margin_pct) for kind, own in kinds.items()
    )
    claims = find_claims(table, alpha=alpha, margin_pct=margin_pct)
    return History(
        answer=say_answer(table, found, claims, alpha=alpha),
        studies=table,
        kinds=found,
        claims=claims,
        moderators=find_moderators(kinds, alpha=alpha),
        left_out=_left_out(left_out),
        alpha=alpha,
        margin_pct=margin_pct,
        warnings=say_warnings(table, found, left_out=len(left_out)),
        next=say_next(table, found),
        method=describe(alpha),
    )


def _table(
    studies: Sequence[StudyEffect],
    judged: Sequence[StudyEffect],
    kinds: dict[str, list[StudyEffect]],
    *,
    alpha: float,
) -> pl.DataFrame:
    """Return one row a study, best first; those without an interval last."""
    tested = [one.p_value for one in judged if one.p_value is not None]
    adjusted = dict(
        zip(map(id, judged), false_discovery_control(tested) if tested else (), strict=True)
    )
    drawn = _drawn_together(judged, kinds, alpha=alpha)
    rows = [
        _own_row(one)
        | {"p_adjusted": None, "found": False}
        | (
            {"p_adjusted": float(adjusted[id(one)]), "found": bool(adjusted[id(one)] <= alpha)}
            if id(one) in adjusted
            else {}
        )
        | drawn.get(id(one), {})
        for one in studies
    ]
    frame = pl.DataFrame(rows, schema=_SCHEMA)
    return (
        frame.with_columns(
            place=pl.when(pl.col("p_value").is_not_null()).then(
                pl.col("shrunken_pct").fill_null(pl.col("effect_pct"))
            )
        )
        .sort("place", "engine", "candidate", descending=[True, False, False], nulls_last=True)
        .drop("place")
    )


def _own_row(one: StudyEffect) -> dict[str, object]:
    """Return what a study says by itself."""
    study = one.study
    low = high = None
    if one.error is not None and one.reach is not None:
        low = as_percent(one.effect - one.reach * one.error)
        high = as_percent(one.effect + one.reach * one.error)
    return {
        "engine": study.engine,
        "baseline": study.baseline,
        "candidate": study.candidate,
        "kind": study.kind,
        "changed": study.changed,
        "started": study.started,
        "effect_pct": as_percent(one.effect),
        "low_pct": low,
        "high_pct": high,
        "p_value": one.p_value,
        "verdict": one.verdict,
        "claimed": study.claimed,
        "baseline_pulls": one.baseline_pulls,
        "candidate_pulls": one.candidate_pulls,
        "design": one.design,
        "from_rpm": one.band[0],
        "to_rpm": one.band[1],
        "lacking": one.lacking,
        "doubts": list(one.doubts),
        "error_pct": None if one.error is None else 100.0 * one.error,
        **_row_then(one.then),
    }


def _row_then(then: Then | None) -> dict[str, object]:
    """Return what could be said of a study when it was made."""
    if then is None:
        return {"since": [], "added": 0}
    return {
        "made_at": then.at,
        "by_eye_pct": then.by_eye_pct,
        "then_verdict": then.verdict,
        "then_effect_pct": then.effect_pct,
        "then_error_pct": None if then.error is None else 100.0 * then.error,
        "since": list(then.since),
        "added": then.added,
    }


def _drawn_together(
    judged: Sequence[StudyEffect], kinds: dict[str, list[StudyEffect]], *, alpha: float
) -> dict[int, dict[str, object]]:
    """Return what is left of each effect beside its fellows: of its kind, or all the others."""
    groups = {kind: own for kind, own in kinds.items() if len(own) >= LEAST_STUDIES}
    placed = {id(one) for own in groups.values() for one in own}
    rest = [one for one in judged if id(one) not in placed]
    if len(rest) >= LEAST_STUDIES:
        groups[_OTHERS] = rest
    found: dict[int, dict[str, object]] = {}
    for name, own in groups.items():
        covariance = shared_errors(own, _wide_errors(own, alpha))
        shrunken = shrink(np.array([one.effect for one in own]), covariance, alpha=alpha)
        for at, one in enumerate(own):
            found[id(one)] = {
                "shrunken_pct": as_percent(float(shrunken.mean[at])),
                "shrunken_low_pct": as_percent(float(shrunken.low[at])),
                "shrunken_high_pct": as_percent(float(shrunken.high[at])),
                "chance_of_gain": float(shrunken.positive[at]),
                "own_weight": float(shrunken.weight[at]),
                "drawn_to": name,
            }
    return found


def _wide_errors(studies: Sequence[StudyEffect], alpha: float) -> list[float]:
    """Return standard errors whose normal intervals are the studies' own.

    A standard error from few degrees of freedom may be too small by luck; the study's interval
    allows for that, and the normal model here would not.
    """
    normal = float(norm.isf(alpha / 2.0))
    return [
        error * (one.reach or normal) / normal
        for one, error in zip(studies, errors_of(studies), strict=True)
    ]


def _left_out(left_out: Sequence[LeftOut]) -> pl.DataFrame:
    names = ("engine", "baseline", "candidate", "why")
    rows = [
        (one.study.engine, one.study.baseline, one.study.candidate, one.why) for one in left_out
    ]
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
