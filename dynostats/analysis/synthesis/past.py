"""One past study as one number: the mean effect over its band, from the analysis of `compare`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from dynostats.analysis.comparison import Verdict
from dynostats.analysis.conclude import conclude
from dynostats.analysis.conditions import Conditions
from dynostats.analysis.effect import DRAWS, Effect
from dynostats.analysis.estimated import estimate_studies
from dynostats.analysis.question import Question
from dynostats.analysis.study import find_study
from dynostats.analysis.tables import mean_power
from dynostats.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PastStudy:
    """A change that was once tried on an engine.

    Args:
        engine: The engine.
        baseline: Setup before the change.
        candidate: Setup with the change.
        kind: Kind of change; None where nobody said.
        changed: What was changed, in the shop's words; None likewise.
        claimed: Verdict of the last look at its declared question; None where there was none.
        started: First pull of the candidate; None where not known.
    """

    engine: str
    baseline: str
    candidate: str
    kind: str | None = None
    changed: str | None = None
    claimed: str | None = None
    started: datetime | None = None

    @property
    def name(self) -> str:
        """Return what it is called in a sentence."""
        return f"{self.candidate} against {self.baseline} on {self.engine}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Then:
    """What could be said of a study when it was made.

    Args:
        at: Start of the last pull known then; None where starts are not known.
        by_eye_pct: Candidate's mean torque against the baseline's over the band, percent: what is
            seen when one curve is laid over another, noise not asked for.
        baseline_pulls: Pulls of the baseline known then.
        candidate_pulls: Likewise.
        verdict: What `compare` would have said then, from the pulls and labels of that time; None
            where it could not have been asked.
        effect_pct: Its mean over the band, percent; None likewise.
        error: Its standard error, log units; None where it had no interval.
        since: What of the study is known otherwise today, in clauses: pulls left out or amended
            since, then those added.
        added: Pulls of its setups added since; where there are some, the last clause tells of them.
    """

    at: datetime | None
    by_eye_pct: float
    baseline_pulls: int
    candidate_pulls: int
    verdict: Verdict | None
    effect_pct: float | None
    error: float | None
    since: tuple[str, ...]
    added: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyEffect:
    """What a past study shows today.

    Args:
        study: Which it is.
        effect: Log ratio candidate over baseline, mean over the band.
        error: Its standard error; None where the noise carries no interval.
        reach: How many standard errors its 95% interval reaches to either side; None likewise.
        p_value: Two-sided, of no effect on that mean, from simulated studies; None likewise.
        verdict: What `compare` says of this study alone.
        lacking: Why there is no interval; "" where there is one.
        band: First and last engine speed, rpm.
        baseline_pulls: Pulls behind it.
        candidate_pulls: Likewise.
        design: How the setups met ("same_session" and so on).
        weights: Weight of each pull in the effect, by name: what studies share is seen from it.
        moderators: What is known of the engine, by name.
        doubts: What its reader must know of its pulls, a sentence each: doubtful ones, labels that
            do not fit, changes of the cell between them.
        then: What could be said when it was made; None where that is not known.
    """

    study: PastStudy
    effect: float
    error: float | None
    reach: float | None
    p_value: float | None
    verdict: Verdict
    lacking: str
    band: tuple[float, float]
    baseline_pulls: int
    candidate_pulls: int
    design: str
    weights: Mapping[str, float]
    moderators: Mapping[str, float]
    doubts: tuple[str, ...] = ()
    then: Then | None = None


def estimate_past(
    study: PastStudy,
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    *,
    question: Question,
    conditions: Conditions,
    moderators: Mapping[str, float] | None = None,
    draws: int = DRAWS,
) -> StudyEffect:
    """Return what a past study shows today, as `compare` reckons it.

    Args:
        study: The study.
        pulls: As in `compare`.
        curves: As in `compare`.
        question: Its question: engine, setups, margin, alpha, correction.
        conditions: How the pulls were measured.
        moderators: What is known of the engine, by name.
        draws: Simulated studies behind the interval.

    Raises:
        AnalysisError: As in `compare`.
    """
    found = find_study(pulls, question.engine, question.baseline, question.candidate)
    estimated = estimate_studies((found,), (question,), curves, conditions, draws=draws)
    effect, own = estimated.effects[0], estimated.own
    told = conclude(effect, question, mean_kw=float(mean_power(own, question.baseline).mean()))
    error, reach, p_value = _uncertainty(effect, question.alpha)
    return StudyEffect(
        study=study,
        effect=float(effect.means[0]),
        error=error,
        reach=reach,
        p_value=p_value,
        verdict=told.verdict,
        lacking=effect.lacking,
        band=(float(effect.rpm[0]), float(effect.rpm[-1])),
        baseline_pulls=own.setup.count(question.baseline),
        candidate_pulls=own.setup.count(question.candidate),
        design=effect.contrast.kind,
        weights=dict(zip(own.pull, effect.contrast.weights.tolist(), strict=True)),
        moderators=dict(moderators or {}),
    )


def _uncertainty(effect: Effect, alpha: float) -> tuple[float | None, float | None, float | None]:
    """Return standard error, reach of the interval, and p value of the plain band mean."""
    if effect.spread is None or effect.draws is None:
        return None, None, None
    error = float(effect.spread.means[0])
    drawn = np.abs(effect.draws.means[:, 0, 0])
    beyond = int((drawn >= abs(float(effect.means[0])) / error).sum())
    return error, float(np.quantile(drawn, 1.0 - alpha)), (1 + beyond) / (1 + len(drawn))


def shared_errors(effects: Sequence[StudyEffect], errors: Sequence[float]) -> Floats:
    """Return the covariance of the errors of studies, shape (studies, studies).

    Studies of one engine that rest on the same pulls, mostly of the baseline, err together: their
    correlation is that of their weights.

    Args:
        effects: The studies.
        errors: Standard error of each.
    """
    sizes = [math.sqrt(sum(w * w for w in one.weights.values())) for one in effects]
    covariance = np.diag(np.square(errors))
    for i, one in enumerate(effects):
        for j, other in enumerate(effects[:i]):
            common = one.weights.keys() & other.weights.keys()
            product = sum(one.weights[pull] * other.weights[pull] for pull in common)
            # Just below one: two names for the same comparison are still two rows.
            alike = min(max(product / (sizes[i] * sizes[j]), -0.999), 0.999)
            covariance[i, j] = covariance[j, i] = alike * errors[i] * errors[j]
    return covariance
