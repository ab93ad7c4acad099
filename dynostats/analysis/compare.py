"""Did the change help: from stored pulls and curves to a comparison."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.advice import name_noise, say_next, say_warnings, say_why
from dynostats.analysis.comparison import (
    Comparison,
    NoiseUsed,
    Overall,
    PullCounts,
    Region,
    Verdict,
)
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.effect import DRAWS, Effect, estimate_effect
from dynostats.analysis.method import describe_method
from dynostats.analysis.noise import component, pooled_variance
from dynostats.analysis.study import Study, find_study
from dynostats.analysis.verdict import Bounds, decide, find_regions, unknown_region
from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError
from dynostats.units import power_kw

# A claim must hold over at least this much engine speed: the smoothing kernel spans 300 rpm, so
# anything shorter may be one wiggle of noise.
SHORTEST_REGION_RPM = 150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked.

    Args:
        engine: The engine.
        baseline: Setup before the change.
        candidate: Setup with the change.
        quantity: "power" or "torque".
        margin_pct: Smallest change that matters, percent, above 0.
        alpha: Chance of any false claim that is accepted, between 0 and 0.5.
        band: First and last engine speed, rpm; None for all that every pull covers.
        correction: Name of the ambient correction of the curves.

    Raises:
        AnalysisError: A setting lies outside its range.
    """

    engine: str
    baseline: str
    candidate: str
    quantity: str = "power"
    margin_pct: float = 0.5
    alpha: float = 0.05
    band: tuple[float, float] | None = None
    correction: str = "none"

    def __post_init__(self) -> None:
        """Refuse settings that no answer could honour."""
        if self.quantity not in {"power", "torque"}:
            raise AnalysisError(
                f"quantity is '{self.quantity}'; it must be power or torque", where="--quantity"
            )
        if not 0.0 < self.margin_pct < 100.0:
            raise AnalysisError(
                f"margin is {self.margin_pct:g}%; it must be above 0 and below 100",
                where="--margin",
                mend="Give the smallest change that would matter to you, for example 0.5.",
            )
        if not 0.0 < self.alpha < 0.5:
            raise AnalysisError(
                f"alpha is {self.alpha:g}; it must lie between 0 and 0.5",
                where="--alpha",
                mend="Give the chance of a false claim you accept, for example 0.05.",
            )
        if self.baseline == self.candidate:
            raise AnalysisError(
                f"baseline and candidate are both '{self.baseline}'",
                where="--candidate",
                mend="Name two different setups.",
            )


def compare(
    pulls: pl.DataFrame, curves: pl.DataFrame, question: Question, *, draws: int = DRAWS
) -> Comparison:
    """Compare two setups of an engine.

    Args:
        pulls: One row a pull of everything in the warehouse, excluded ones too: pull, file,
            engine, dyno, session, setup, order, started, state ('accepted' or 'excluded'), why.
        curves: One row a pull and grid speed: pull, rpm, torque (N.m).
        question: What is asked.
        draws: Simulated studies behind the critical values.

    Returns:
        The comparison.

    Raises:
        AnalysisError: A setup has no accepted pull, the setups were pulled on different dynos, or
            their pulls share no band of engine speed.
    """
    study = find_study(pulls, question.engine, question.baseline, question.candidate)
    everything = curve_set(study.scope, curves)
    everything, own = _on_band(everything, study, question)
    effect = estimate_effect(
        everything,
        own,
        baseline=question.baseline,
        candidate=question.candidate,
        alpha=question.alpha,
        draws=draws,
    )
    bounds = _bounds(effect, question.alpha)
    regions, verdict, overall = _conclude(effect, bounds, own, question)
    noise = _noise_used(effect, study, everything, own)
    used = [label for label in own.setup if label in {question.baseline, question.candidate}]
    counts = PullCounts(
        baseline=used.count(question.baseline),
        candidate=used.count(question.candidate),
        excluded=study.excluded.height,
    )
    frames = _frames(effect, bounds, own, study, question)
    return Comparison(
        engine=question.engine,
        baseline=question.baseline,
        candidate=question.candidate,
        quantity=question.quantity,
        correction=question.correction,
        margin_pct=question.margin_pct,
        alpha=question.alpha,
        band=(float(effect.rpm[0]), float(effect.rpm[-1])),
        verdict=verdict,
        why=say_why(verdict, overall, regions, effect, question.margin_pct),
        overall=overall,
        regions=regions,
        curve=frames.curve,
        pulls=counts,
        pull_table=frames.pulls,
        pull_curves=frames.pull_curves,
        noise=noise,
        warnings=say_warnings(effect, own, study, noise, correction=question.correction),
        next=say_next(verdict, overall, effect, counts, margin_pct=question.margin_pct),
        method=describe_method(effect, question.alpha, question.margin_pct, draws),
    )


def _on_band(everything: CurveSet, study: Study, question: Question) -> tuple[CurveSet, CurveSet]:
    """Cut to the band and pick the study's pulls; third setups stay only if they cover it."""
    member = np.isin(everything.pull, study.members)
    compared = np.isin(everything.setup, [question.baseline, question.candidate]) & member
    if not compared.any():
        raise AnalysisError(
            f"no pull of '{question.baseline}' or '{question.candidate}' has a torque curve",
            mend="Check the logs of these pulls: torque or power must be among their channels.",
        )
    known = np.isfinite(everything.log_torque)
    covered: Flags = np.all(known[compared], axis=0)
    columns = _longest_run(covered)
    if columns.sum() < 4:
        raise AnalysisError(
            f"the pulls of '{question.baseline}' and '{question.candidate}' share fewer than four "
            "grid speeds (50 rpm apart)",
            mend="Exclude the pull that ended early (see `pulls`), or pull both setups over the "
            "same engine speeds.",
        )
    columns = _asked_band(everything.rpm, columns, question.band)
    everything = everything.within(columns)
    whole: Flags = np.all(known[:, columns], axis=1)
    some: Flags = np.any(known[:, columns], axis=1)
    return everything.take(some), everything.take(member & whole)


def _longest_run(flags: Flags) -> Flags:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    kept = np.zeros_like(flags)
    if edges.size:
        starts, ends = edges[::2], edges[1::2]
        longest = int(np.argmax(ends - starts))
        kept[starts[longest] : ends[longest]] = True
    return kept


def _asked_band(rpm: Floats, covered: Flags, band: tuple[float, float] | None) -> Flags:
    if band is None:
        return covered
    low, high = band
    first, last = float(rpm[covered][0]), float(rpm[covered][-1])
    step = float(rpm[1] - rpm[0])
    if not low < high:
        raise AnalysisError(
            f"band is {low:g}:{high:g}; its low end must be below its high end", where="--band"
        )
    if low < first - step or high > last + step:
        raise AnalysisError(
            f"band is {low:g}:{high:g} rpm, but every pull compared covers only "
            f"{first:g}:{last:g} rpm",
            where="--band",
            mend=f"Ask within {first:g}:{last:g}, or exclude the pull that ended early.",
        )
    asked = covered & (rpm >= low) & (rpm <= high)
    if asked.sum() < 4:
        raise AnalysisError(
            f"band is {low:g}:{high:g} rpm, fewer than four grid speeds (50 rpm apart)",
            where="--band",
            mend="Ask for a wider band.",
        )
    return asked


def _bounds(effect: Effect, alpha: float) -> Bounds | None:
    if effect.spread is None or effect.draws is None or effect.curve_factor is None:
        return None
    half = effect.curve_factor * effect.spread.curve
    pointwise = np.quantile(np.abs(effect.draws.curve), 1.0 - 2.0 * alpha, axis=0)
    near = pointwise * effect.spread.curve
    return Bounds(
        rpm=effect.rpm,
        effect=_percent(effect.curve),
        low=_percent(effect.curve - half),
        high=_percent(effect.curve + half),
        low_pointwise=_percent(effect.curve - near),
        high_pointwise=_percent(effect.curve + near),
    )


def _percent(log_ratio: Floats) -> Floats:
    return 100.0 * np.expm1(log_ratio)


def _conclude(
    effect: Effect, bounds: Bounds | None, own: CurveSet, question: Question
) -> tuple[tuple[Region, ...], Verdict, Overall]:
    mean_kw = float(_mean_power(own, question.baseline).mean())
    in_percent, in_kw = effect.means
    if bounds is None or effect.spread is None or effect.means_factor is None:
        overall = Overall(
            effect_pct=float(_percent(in_percent)),
            low_pct=None,
            high_pct=None,
            effect_kw=mean_kw * float(np.expm1(in_kw)),
            low_kw=None,
            high_kw=None,
            probability_gain_over_margin=None,
        )
        return (unknown_region(effect.rpm, _percent(effect.curve)),), "undecided", overall
    half = effect.means_factor * effect.spread.means
    overall = Overall(
        effect_pct=float(_percent(in_percent)),
        low_pct=float(_percent(in_percent - half[0])),
        high_pct=float(_percent(in_percent + half[0])),
        effect_kw=mean_kw * float(np.expm1(in_kw)),
        low_kw=mean_kw * float(np.expm1(in_kw - half[1])),
        high_kw=mean_kw * float(np.expm1(in_kw + half[1])),
        probability_gain_over_margin=_probability(effect, question.margin_pct),
    )
    regions = find_regions(bounds, margin_pct=question.margin_pct, shortest_rpm=SHORTEST_REGION_RPM)
    interval = (float(_percent(in_percent - half[0])), float(_percent(in_percent + half[0])))
    verdict = decide(regions, bounds, interval, margin_pct=question.margin_pct)
    return regions, verdict, overall


def _probability(effect: Effect, margin_pct: float) -> float | None:
    if effect.spread is None or effect.draws is None:
        return None
    plausible = effect.means[0] - effect.spread.means[0] * effect.draws.means[:, 0]
    return float(np.mean(plausible > np.log1p(margin_pct / 100.0)))


def _mean_power(own: CurveSet, setup: str) -> Floats:
    rows = np.array([name == setup for name in own.setup])
    return power_kw(np.exp(own.log_torque[rows].mean(axis=0)), own.rpm)


def _noise_used(effect: Effect, study: Study, everything: CurveSet, own: CurveSet) -> NoiseUsed:
    noise = effect.noise
    base = pooled_variance(noise)
    history = len(everything) - len(own)
    pull_df = sum(part.df for part in (noise.pull, noise.own) if part is not None)

    def spread(layer_variance: Floats | None) -> float | None:
        return None if layer_variance is None else 100.0 * float(np.sqrt(layer_variance.mean()))

    session = drift = None
    if base is not None and noise.session is not None:
        session = component(noise.session, base)
    if base is not None and noise.drift is not None:
        drift = component(noise.drift, base)
    return NoiseUsed(
        source=name_noise(everything, own, study.dyno),
        pull_df=float(pull_df),
        session_df=float(noise.session.df) if noise.session is not None else None,
        pull_sd_pct=spread(base),
        session_sd_pct=spread(session),
        drift_sd_pct=spread(drift),
        history_pulls=history,
        history_weight=effect.spread.history_weight if effect.spread is not None else 0.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frames:
    curve: pl.DataFrame
    pulls: pl.DataFrame
    pull_curves: pl.DataFrame


def _frames(
    effect: Effect, bounds: Bounds | None, own: CurveSet, study: Study, question: Question
) -> _Frames:
    base_kw = _mean_power(own, question.baseline)
    base_nm = np.exp(
        own.log_torque[np.array([name == question.baseline for name in own.setup])].mean(axis=0)
    )
    ratio = np.exp(effect.curve)
    missing = [None] * len(effect.rpm)
    curve = pl.DataFrame(
        {
            "rpm": effect.rpm,
            "baseline_kw": base_kw,
            "candidate_kw": base_kw * ratio,
            "baseline_nm": base_nm,
            "candidate_nm": base_nm * ratio,
            "effect_pct": _percent(effect.curve),
            "low_pct": missing if bounds is None else bounds.low,
            "high_pct": missing if bounds is None else bounds.high,
            "low_pointwise_pct": missing if bounds is None else bounds.low_pointwise,
            "high_pointwise_pct": missing if bounds is None else bounds.high_pointwise,
        },
        schema_overrides=dict.fromkeys(
            ("low_pct", "high_pct", "low_pointwise_pct", "high_pointwise_pct"), pl.Float64
        ),
    )
    torque = np.exp(own.log_torque)
    power = power_kw(torque, own.rpm[None, :])
    roles = {question.baseline: "baseline", question.candidate: "candidate"}
    pull_curves = pl.DataFrame(
        {
            "pull": np.repeat(own.pull, len(own.rpm)),
            "role": np.repeat([roles.get(name, "other") for name in own.setup], len(own.rpm)),
            "rpm": np.tile(own.rpm, len(own)),
            "power_kw": power.ravel(),
            "torque_nm": torque.ravel(),
        }
    )
    means = pl.DataFrame(
        {"pull": own.pull, "mean_kw": power.mean(axis=1), "mean_nm": torque.mean(axis=1)}
    )
    shown = pl.concat([study.pulls.filter(pl.col("pull").is_in(own.pull)), study.excluded])
    table = (
        shown.with_columns(
            role=pl.col("setup").replace_strict(roles, default="other", return_dtype=pl.String)
        )
        .join(means, on="pull", how="left")
        .sort("started", "session", "order", "pull", nulls_last=True)
    )
    return _Frames(curve=curve, pulls=table, pull_curves=pull_curves)
