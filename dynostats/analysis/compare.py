"""Did the change help: from stored pulls and curves to a comparison."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.advice import (
    name_noise,
    say_next,
    say_warnings,
    say_why,
    warn_influence,
)
from dynostats.analysis.case import Case
from dynostats.analysis.comparison import (
    Comparison,
    CorrectionOutcome,
    NoiseUsed,
    Peak,
    PullCounts,
)
from dynostats.analysis.conclude import conclude
from dynostats.analysis.conditions import Conditions, Footing, warn_sweep_rates
from dynostats.analysis.corrections import correct_otherwise, warn_corrections
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design_check import check_by_relabeling
from dynostats.analysis.effect import DRAWS, Effect
from dynostats.analysis.estimated import estimate_studies
from dynostats.analysis.influence import leave_each_out
from dynostats.analysis.method import describe_method
from dynostats.analysis.noise import component, correlation_length, pooled_variance
from dynostats.analysis.peaks import find_peaks
from dynostats.analysis.question import Question
from dynostats.analysis.study import Study, find_study
from dynostats.analysis.tables import lay_tables, mean_power
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError


def compare(
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    question: Question,
    *,
    conditions: Conditions | None = None,
    draws: int = DRAWS,
) -> Comparison:
    """Compare two setups of an engine.

    Args:
        pulls: One row a pull of everything in the warehouse, excluded ones too: pull, file,
            engine, dyno, session, setup, order, started, state ('accepted' or 'excluded'), why;
            and where it was read the air: ambient_pressure_kpa, ambient_temperature_c,
            ambient_humidity_pct.
        curves: One row a pull and grid speed: pull, rpm, torque (N.m).
        question: What is asked.
        conditions: What else is known of how the pulls were measured.
        draws: Simulated studies behind the critical values.

    Returns:
        The comparison.

    Raises:
        AnalysisError: A setup has no accepted pull, the setups were pulled on different dynos,
            their pulls share no band of engine speed, or cannot be brought to one correction.
    """
    return compare_candidates(pulls, curves, (question,), conditions=conditions, draws=draws)[0]


def compare_candidates(
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    questions: tuple[Question, ...],
    *,
    conditions: Conditions | None = None,
    draws: int = DRAWS,
    with_others: bool = True,
) -> tuple[Comparison, ...]:
    """Compare several candidates with one baseline, as one family of claims.

    Args:
        pulls: As in `compare`.
        curves: As in `compare`.
        questions: One a candidate; all but the candidate is the same.
        conditions: As in `compare`.
        draws: As in `compare`.
        with_others: Whether to answer under the other corrections too.

    Returns:
        One comparison a candidate, in the order of the questions. The chance of any false claim
        about any of them is at most alpha.

    Raises:
        AnalysisError: As in `compare`; or the candidates were not all pulled on one dyno.
    """
    studies = tuple(find_study(pulls, one.engine, one.baseline, one.candidate) for one in questions)
    _require_one_dyno(studies)
    found = estimate_studies(studies, questions, curves, conditions or Conditions(), draws=draws)
    case, footing, effects = found.case, found.footing, found.effects
    everything, own = found.everything, found.own
    others = correct_otherwise(case, footing, effects, questions) if with_others else ()
    return tuple(
        _comparison(
            effect,
            everything,
            own,
            study,
            question,
            stand=_Stand(case=case, footing=footing, others=others[at] if others else ()),
            draws=draws,
        )
        for at, (effect, study, question) in enumerate(
            zip(effects, studies, questions, strict=True)
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stand:
    """What a comparison stands on, and what it would be under other corrections."""

    case: Case
    footing: Footing
    others: tuple[CorrectionOutcome, ...]


def _comparison(
    effect: Effect,
    everything: CurveSet,
    family: CurveSet,
    study: Study,
    question: Question,
    *,
    stand: _Stand,
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
        correction=stand.footing.correction,
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
        corrections=stand.others,
        warnings=(
            *stand.case.warnings(),
            *say_warnings(effect, own, study, noise, correction=stand.footing.correction),
            *stand.footing.warnings,
            *warn_corrections(stand.others, found.verdict),
            *_warn_sweep(own, stand.case, question),
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
        method=describe_method(effect, question.alpha, question.margin_pct, draws)
        | {"ambient_correction": stand.footing.describe()},
    )


def _warn_sweep(own: CurveSet, case: Case, question: Question) -> tuple[str, ...]:
    """Say what a difference in sweep rate could fake, unless an inertia is stated and added."""
    if case.states_inertia(own.pull):
        return ()
    text = warn_sweep_rates(
        own,
        case.clock(own),
        baseline=question.baseline,
        candidate=question.candidate,
        margin_pct=question.margin_pct,
    )
    return (text,) if text else ()


def _require_one_dyno(studies: tuple[Study, ...]) -> None:
    dynos = sorted({study.dyno for study in studies})
    if len(dynos) > 1:
        raise AnalysisError(
            f"the candidates were pulled on different dynos ({', '.join(dynos)})",
            mend="Ask for the candidates of one dyno at a time.",
        )


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
        source=name_noise(everything, own, study),
        pull_df=float(pull_df),
        session_df=float(noise.session.df) if noise.session is not None else None,
        pull_sd_pct=spread(base),
        session_sd_pct=spread(session),
        drift_bound_pct=spread(drift),
        drift_sessions=noise.slopes_seen,
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
