"""Did the change help: from stored pulls and curves to a comparison."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.advice import name_noise, say_next, say_warnings, say_why, warn_influence
from dynostats.analysis.comparison import Comparison, NoiseUsed, Peak, PullCounts
from dynostats.analysis.conclude import conclude
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.design_check import check_by_relabeling
from dynostats.analysis.effect import DRAWS, Effect, estimate_effects
from dynostats.analysis.influence import leave_each_out
from dynostats.analysis.method import describe_method
from dynostats.analysis.noise import component, correlation_length, pooled_variance
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
    return compare_candidates(pulls, curves, (question,), draws=draws)[0]


def compare_candidates(
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    questions: tuple[Question, ...],
    *,
    draws: int = DRAWS,
) -> tuple[Comparison, ...]:
    """Compare several candidates with one baseline, as one family of claims.

    Args:
        pulls: As in `compare`.
        curves: As in `compare`.
        questions: One a candidate; all but the candidate is the same.
        draws: As in `compare`.

    Returns:
        One comparison a candidate, in the order of the questions. The chance of any false claim
        about any of them is at most alpha.

    Raises:
        AnalysisError: As in `compare`; or the candidates were not all pulled on one dyno.
    """
    first = questions[0]
    studies = tuple(find_study(pulls, one.engine, one.baseline, one.candidate) for one in questions)
    _require_one_dyno(studies)
    everything = curve_set(studies[0].scope, curves)
    names = [first.baseline, *(one.candidate for one in questions)]
    members = [name for study in studies for name in study.members]
    everything, own = _on_band(everything, members, names, first.band)
    effects = estimate_effects(
        everything,
        own,
        baseline=first.baseline,
        candidates=tuple(one.candidate for one in questions),
        alpha=first.alpha,
        draws=draws,
    )
    return tuple(
        _comparison(effect, everything, own, study, question, draws=draws)
        for effect, study, question in zip(effects, studies, questions, strict=True)
    )


def _comparison(
    effect: Effect,
    everything: CurveSet,
    family: CurveSet,
    study: Study,
    question: Question,
    *,
    draws: int,
) -> Comparison:
    """Put one finding together; `family` holds the pulls of all candidates asked about."""
    own = family.take(np.isin(family.pull, study.members))
    mean_kw = float(mean_power(own, question.baseline).mean())
    found = conclude(effect, question, mean_kw=mean_kw)
    influence = leave_each_out(effect, family, question, found, mean_kw=mean_kw)
    noise = _noise_used(effect, study, everything, family)
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
        verdict=found.verdict,
        why=say_why(found.verdict, found.overall, found.regions, effect, question.margin_pct),
        overall=found.overall,
        regions=found.regions,
        curve=frames.curve,
        pulls=counts,
        pull_table=frames.pulls,
        pull_curves=frames.pull_curves,
        peaks=_peaks(effect, own, question),
        influence=influence,
        design_check=check_by_relabeling(
            own,
            found.verdict,
            baseline=question.baseline,
            candidate=question.candidate,
            alpha=question.alpha,
        ),
        noise=noise,
        warnings=(
            *say_warnings(effect, own, study, noise, correction=question.correction),
            *warn_influence(influence),
        ),
        next=say_next(
            found.verdict,
            found.overall,
            effect,
            counts,
            margin_pct=question.margin_pct,
            alpha=question.alpha,
        ),
        method=describe_method(effect, question.alpha, question.margin_pct, draws),
    )


def _require_one_dyno(studies: tuple[Study, ...]) -> None:
    dynos = sorted({study.dyno for study in studies})
    if len(dynos) > 1:
        raise AnalysisError(
            f"the candidates were pulled on different dynos ({', '.join(dynos)})",
            mend="Ask for the candidates of one dyno at a time.",
        )


def _on_band(
    everything: CurveSet,
    members: list[str],
    setups: list[str],
    band: tuple[float, float] | None,
) -> tuple[CurveSet, CurveSet]:
    """Cut to the band and pick the study's pulls; third setups stay only if they cover it."""
    member = np.isin(everything.pull, members)
    compared = np.isin(everything.setup, setups) & member
    known = np.isfinite(everything.log_torque)
    _require_torque(everything, known, compared)
    covered: Flags = np.all(known[compared], axis=0)
    columns = _longest_run(everything.rpm, covered)
    if columns.sum() < 4:
        raise AnalysisError(
            f"the pulls of {' and '.join(repr(name) for name in setups)} share fewer than four "
            "grid speeds (50 rpm apart)",
            mend="Exclude the pull that ended early (see `pulls`), or pull the setups over the "
            "same engine speeds.",
        )
    columns = _asked_band(everything.rpm, columns, band)
    everything = everything.within(columns)
    whole: Flags = np.all(known[:, columns], axis=1)
    some: Flags = np.any(known[:, columns], axis=1)
    return everything.take(some), everything.take(member & whole)


def _require_torque(everything: CurveSet, known: Flags, compared: Flags) -> None:
    empty: Flags = compared & ~np.any(known, axis=1)
    if empty.any():
        names = ", ".join(name for name, bare in zip(everything.pull, empty, strict=True) if bare)
        raise AnalysisError(
            f"{names}: no torque above zero at any speed",
            mend="Exclude it, or name its torque or power channel with --channels and `reingest`.",
        )


def _longest_run(rpm: Floats, flags: Flags) -> Flags:
    """Keep the longest run of flagged speeds without a hole: also not one where no pull has any."""
    kept = np.zeros_like(flags)
    at = np.flatnonzero(flags)
    if at.size:
        step = float(np.diff(rpm).min()) if len(rpm) > 1 else 1.0
        runs = np.split(at, np.flatnonzero(np.diff(rpm[at]) > 1.5 * step) + 1)
        kept[max(runs, key=len)] = True
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
        correlation_rpm=correlation_length(noise),
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
