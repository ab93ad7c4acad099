"""Did the change help: from stored pulls and curves to a comparison."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.advice import name_noise, say_next, say_warnings, say_why, warn_influence
from dynostats.analysis.comparison import Comparison, NoiseUsed, Peak, PullCounts
from dynostats.analysis.conclude import conclude
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.design_check import check_by_relabeling
from dynostats.analysis.effect import DRAWS, Effect, estimate_effect
from dynostats.analysis.influence import leave_each_out
from dynostats.analysis.method import describe_method
from dynostats.analysis.noise import component, pooled_variance
from dynostats.analysis.peaks import find_peaks
from dynostats.analysis.question import Question
from dynostats.analysis.study import Study, find_study
from dynostats.analysis.tables import lay_tables, mean_power
from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError


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
    mean_kw = float(mean_power(own, question.baseline).mean())
    found = conclude(effect, question, mean_kw=mean_kw)
    verdict, overall, regions = found.verdict, found.overall, found.regions
    influence = leave_each_out(effect, own, question, found, mean_kw=mean_kw)
    noise = _noise_used(effect, study, everything, own)
    used = [label for label in own.setup if label in {question.baseline, question.candidate}]
    counts = PullCounts(
        baseline=used.count(question.baseline),
        candidate=used.count(question.candidate),
        excluded=study.excluded.height,
    )
    frames = lay_tables(effect, found.bounds, own, study, question)
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
        peaks=_peaks(effect, own, question),
        influence=influence,
        design_check=check_by_relabeling(
            own,
            verdict,
            baseline=question.baseline,
            candidate=question.candidate,
            alpha=question.alpha,
        ),
        noise=noise,
        warnings=(
            *say_warnings(effect, own, study, noise, correction=question.correction),
            *warn_influence(influence),
        ),
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


def _peaks(effect: Effect, own: CurveSet, question: Question) -> tuple[Peak, ...]:
    if effect.spread is None:
        return ()
    rows = np.array([name == question.baseline for name in own.setup])
    baseline = own.log_torque[rows].mean(axis=0)
    pulls = {name: own.setup.count(name) for name in (question.baseline, question.candidate)}
    curves = {question.baseline: baseline, question.candidate: baseline + effect.curve}
    return tuple(
        peak
        for seed, (name, curve) in enumerate(curves.items())
        for peak in find_peaks(
            name, curve, pulls[name], effect.noise, alpha=question.alpha, seed=seed
        )
    )
