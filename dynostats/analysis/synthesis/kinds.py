"""Studies of one kind of change together, engine by engine, and what their effects go with."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import false_discovery_control

from dynostats.analysis.conclude import as_percent
from dynostats.analysis.synthesis.past import StudyEffect, shared_errors
from dynostats.analysis.synthesis.random_effects import LEAST_STUDIES, Synthesis, synthesise
from dynostats.analysis.synthesis.result import KindFinding, KindVerdict, ModeratorFinding
from dynostats.analysis.synthesis.shrinkage import predict_next
from dynostats.arrays import Floats

# Fewer engines than this say nothing of what an effect goes with. Source: Deeks, Higgins & Altman,
# Cochrane Handbook for Systematic Reviews, 10.11.5: ten studies a moderator.
LEAST_FOR_MODERATOR = 10
# A moderator that has fewer engines on either side of its middle than this is two odd engines.
LEAST_SIDE = 3

_UNITS = {
    "displacement_l": ("displacement", "a litre"),
    "manifold_pressure_kpa": ("manifold pressure", "10 kPa"),
    "boosted": ("induction", "boosted against naturally aspirated"),
}
_SAID_BY = {
    "displacement_l": "column `displacement [L]` of the sheet",
    "manifold_pressure_kpa": "a logged manifold pressure",
    "boosted": "column `induction` of the sheet",
}
_STEPS = {"manifold_pressure_kpa": 10.0}
MODERATORS = tuple(_UNITS)
"""Names of what is looked at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EngineEffects:
    """Effects of one kind of change, one an engine.

    Args:
        engines: Names.
        effects: Log ratios, shape (engines,).
        covariance: Of their errors, shape (engines, engines).
        moderators: By name, shape (engines,), NaN where not known.
    """

    engines: tuple[str, ...]
    effects: Floats
    covariance: Floats
    moderators: dict[str, Floats]


def errors_of(studies: Sequence[StudyEffect]) -> list[float]:
    """Return the standard errors of studies that have one."""
    return [one.error for one in studies if one.error is not None]


def by_engine(studies: Sequence[StudyEffect]) -> EngineEffects:
    """Return the plain mean of each engine's studies, with the errors that they share.

    Args:
        studies: Of one kind, each with an interval.
    """
    engines = tuple(sorted({one.study.engine for one in studies}))
    of = np.array([[one.study.engine == name for one in studies] for name in engines], dtype=float)
    of /= of.sum(axis=1, keepdims=True)
    effects = np.array([one.effect for one in studies])
    known = {
        name: np.array(
            [
                _mean([s.moderators.get(name) for s in studies if s.study.engine == engine])
                for engine in engines
            ]
        )
        for name in MODERATORS
    }
    return EngineEffects(
        engines=engines,
        effects=of @ effects,
        covariance=of @ shared_errors(studies, errors_of(studies)) @ of.T,
        moderators=known,
    )


def _mean(values: list[float | None]) -> float:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else math.nan


def find_kind(
    kind: str, studies: Sequence[StudyEffect], *, alpha: float, margin_pct: float
) -> KindFinding:
    """Return what the studies of one kind say together.

    Args:
        kind: Its name.
        studies: Each with an interval.
        alpha: One less the level.
        margin_pct: Smallest change that matters, percent.
    """
    together = by_engine(studies)
    alone = KindFinding(
        kind=kind,
        studies=len(studies),
        engines=len(together.engines),
        verdict="undecided",
        effect_pct=None,
        low_pct=None,
        high_pct=None,
        prediction_low_pct=None,
        prediction_high_pct=None,
        between_sd_pct=None,
        between_low_pct=None,
        between_high_pct=None,
        heterogeneity_p=None,
        i2=None,
        text="",
    )
    if len(together.engines) < LEAST_STUDIES:
        return replace(alone, text=_say_few(alone))
    found = synthesise(together.effects, together.covariance, alpha=alpha)
    following = predict_next(together.effects, together.covariance, alpha=alpha)
    told = _with_synthesis(alone, found, following, margin_pct=margin_pct)
    return replace(told, text=_say_kind(told, alpha=alpha))


def _with_synthesis(
    alone: KindFinding, found: Synthesis, following: tuple[float, float], *, margin_pct: float
) -> KindFinding:
    low, high = as_percent(float(found.low[0])), as_percent(float(found.high[0]))
    return replace(
        alone,
        verdict=_verdict(low, high, margin_pct),
        effect_pct=as_percent(float(found.coefficients[0])),
        low_pct=low,
        high_pct=high,
        prediction_low_pct=as_percent(following[0]),
        prediction_high_pct=as_percent(following[1]),
        between_sd_pct=100.0 * math.sqrt(found.tau2),
        between_low_pct=100.0 * math.sqrt(found.tau2_low),
        between_high_pct=None if found.tau2_high is None else 100.0 * math.sqrt(found.tau2_high),
        heterogeneity_p=found.heterogeneity_p,
        i2=found.i2,
    )


def _verdict(low: float, high: float, margin_pct: float) -> KindVerdict:
    if -margin_pct < low and high < margin_pct:
        return "no_meaningful_change"
    if low > 0.0:
        return "gain"
    return "loss" if high < 0.0 else "undecided"


def _say_few(kind: KindFinding) -> str:
    studies = f"{kind.studies} stud{'y' if kind.studies == 1 else 'ies'}"
    engines = f"{kind.engines} engine{'' if kind.engines == 1 else 's'}"
    return (
        f"{studies} on {engines}: too few to say anything of other engines; at least "
        f"{LEAST_STUDIES} engines are needed."
    )


def _say_kind(kind: KindFinding, *, alpha: float) -> str:
    words = {
        "gain": "a gain on average",
        "loss": "a loss on average",
        "no_meaningful_change": "no change that matters on average",
        "undecided": "undecided on average",
    }[kind.verdict]
    low, high = kind.prediction_low_pct or 0.0, kind.prediction_high_pct or 0.0
    if low > 0.0 or high < 0.0:
        then = f"all {'above' if low > 0.0 else 'below'} zero"
    else:
        then = "it may go either way"
    return (
        f"{kind.studies} studies on {kind.engines} engines: {words}, {kind.effect_pct:+.2f}% "
        f"({kind.low_pct:+.2f} to {kind.high_pct:+.2f}%). The true effect on the next engine lies "
        f"between {low:+.2f} and {high:+.2f}% at {1.0 - alpha:.0%}: {then}."
    )


def find_moderators(
    kinds: dict[str, list[StudyEffect]], *, alpha: float
) -> tuple[ModeratorFinding, ...]:
    """Return what the effects of each kind of change go with.

    Args:
        kinds: Studies by kind, each with an interval.
        alpha: One less the level.
    """
    found = [
        one
        for kind, studies in kinds.items()
        for one in _moderators_of(kind, by_engine(studies), alpha=alpha)
    ]
    tested = [one.p_value for one in found if one.p_value is not None]
    if not tested:
        return tuple(found)
    adjusted = iter(false_discovery_control(tested).tolist())
    return tuple(
        one
        if one.p_value is None
        else _say_moderator(replace(one, p_adjusted=next(adjusted)), alpha)
        for one in found
    )


def _moderators_of(
    kind: str, together: EngineEffects, *, alpha: float
) -> Iterator[ModeratorFinding]:
    if len(together.engines) < LEAST_STUDIES:
        return
    for name, values in together.moderators.items():
        known = np.isfinite(values)
        bare = ModeratorFinding(
            kind=kind,
            moderator=name,
            engines=int(known.sum()),
            slope_pct=None,
            low_pct=None,
            high_pct=None,
            p_value=None,
            p_adjusted=None,
            text="",
        )
        why = _why_not(values[known], name)
        if why:
            yield replace(bare, text=why)
            continue
        step = _STEPS.get(name, 1.0)
        fit = synthesise(
            together.effects[known],
            together.covariance[np.ix_(known, known)],
            (values[known] - values[known].mean())[:, None] / step,
            alpha=alpha,
        )
        yield replace(
            bare,
            slope_pct=as_percent(float(fit.coefficients[1])),
            low_pct=as_percent(float(fit.low[1])),
            high_pct=as_percent(float(fit.high[1])),
            p_value=float(fit.p_values[1]),
        )


def _why_not(values: Floats, name: str) -> str:
    words = _UNITS[name][0]
    if not len(values):
        return f"{words}: not looked at; no engine of this kind says it ({_SAID_BY[name]})."
    if len(values) < LEAST_FOR_MODERATOR:
        return (
            f"{words}: known of {len(values)} engine{'' if len(values) == 1 else 's'} of this "
            f"kind; not looked at below {LEAST_FOR_MODERATOR}."
        )
    middle = 0.5 * (values.min() + values.max())
    sides = int((values > middle).sum()), int((values <= middle).sum())
    if min(sides) < LEAST_SIDE:
        return f"{words}: nearly the same on all {len(values)} engines; not looked at."
    return ""


def _say_moderator(one: ModeratorFinding, alpha: float) -> ModeratorFinding:
    words, unit = _UNITS[one.moderator]
    stands = one.p_adjusted is not None and one.p_adjusted <= alpha
    shown = "goes with the effect" if stands else "is not shown to go with the effect"
    return replace(
        one,
        text=f"{words} {shown}: {one.slope_pct:+.2f}% ({one.low_pct:+.2f} to {one.high_pct:+.2f}%) "
        f"{'for ' if one.moderator == 'boosted' else 'per '}{unit}, {one.engines} engines. "
        "Engines differ in more than this; it is no proof of a cause.",
    )
