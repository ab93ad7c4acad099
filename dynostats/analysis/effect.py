"""The effect curve of a study with everything the noise says about it, on the log scale."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import Contrast, fits_drift, weigh_pulls
from dynostats.analysis.field import Draws, Spread, Target, draw_errors, standard_errors
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import (
    LEAST_ENGINE_DF,
    LEAST_PULL_DF_ALONE,
    LEAST_SLOPES,
    NoiseModel,
    component,
    learn_noise,
    pooled_variance,
    with_own_noise,
)
from dynostats.analysis.outliers import find_outlying, find_short
from dynostats.arrays import Flags, Floats

# Fewer pull contrasts than this carry no interval; with no replicate in the study itself the
# answer rests wholly on history, and more is asked of it (LEAST_PULL_DF_ALONE).
LEAST_PULL_DF = 2
# Fewer session contrasts than this do not carry a comparison of setups that never met.
LEAST_SESSION_DF = 3
# Where fewer contrasts than this are near, nothing is known of how far pulls repeat; over at most
# this share of the band the rest may stand in.
LEAST_NEAR = 0.5
MOST_UNKNOWN = 0.1
# With fewer engines than this it is not known how far engines differ in their noise.
LEAST_ENGINES = 5
# Share of alpha given to the band means; the curve gets the rest of the family jointly.
MEANS_SHARE = 0.5
DRAWS = 10_000
SEED = 20_250_301


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effect:
    """Effect curve on the log scale and its bounds.

    Args:
        rpm: Shape (speeds,).
        curve: Log ratio candidate over baseline, shape (speeds,).
        means: Band means of the curve: plain, and weighted by the baseline's power; shape (2,).
        contrast: Weights of the pulls.
        noise: What was learned.
        spread: Standard errors; None when the noise cannot carry an interval.
        draws: Simulated studentised errors; None likewise.
        curve_factor: Critical value of the curve; None likewise.
        means_factor: Critical value of the band means.
        pointwise_factor: Critical value of level 1 - 2 alpha at each speed alone, shape (speeds,).
        lacking: Why there is no interval; "" when there is one.
        outlying: Pulls outside the study that were left out of the noise as unlike their setup.
    """

    rpm: Floats
    curve: Floats
    means: Floats
    contrast: Contrast
    noise: NoiseModel
    spread: Spread | None
    draws: Draws | None
    curve_factor: float | None
    means_factor: float | None
    pointwise_factor: Floats | None
    lacking: str
    outlying: tuple[str, ...]

    def withheld(self, why: str) -> Effect:
        """Return the effect without an interval, for a reason given."""
        return replace(
            self,
            spread=None,
            draws=None,
            curve_factor=None,
            means_factor=None,
            pointwise_factor=None,
            lacking=why,
        )


def estimate_effect(
    everything: CurveSet,
    study: CurveSet,
    *,
    baseline: str,
    candidate: str,
    alpha: float,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Effect:
    """Estimate the effect of a change: `estimate_effects` with one candidate."""
    return estimate_effects(
        everything,
        study,
        baseline=baseline,
        candidates=(candidate,),
        alpha=alpha,
        draws=draws,
        seed=seed,
    )[0]


def estimate_effects(
    everything: CurveSet,
    study: CurveSet,
    *,
    baseline: str,
    candidates: tuple[str, ...],
    alpha: float,
    draws: int = DRAWS,
    seed: int = SEED,
) -> tuple[Effect, ...]:
    """Estimate the effects of changes from a study and the history around it.

    Args:
        everything: All accepted pulls in scope on the band, the study's included; the noise is
            learned from them.
        study: The study's pulls, complete on the band; they carry the effects.
        baseline: Baseline setup.
        candidates: Candidate setups, all against the one baseline.
        alpha: Chance of any false claim about any candidate that is accepted.
        draws: Simulated studies behind the critical values.
        seed: Seed of the simulation: the same data give the same answer.

    Returns:
        One effect a candidate. Critical values are common to all candidates, curves and band
        means. Source: Dunnett (1955), JASA 50:1096, for the family of candidates.
    """
    effects = _point_effects(everything, study, baseline=baseline, candidates=candidates)
    rng = np.random.default_rng(seed)
    return _with_critical_values(
        effects, _functionals(study, baseline), alpha=alpha, draws=draws, rng=rng
    )


def _point_effects(
    everything: CurveSet, study: CurveSet, *, baseline: str, candidates: tuple[str, ...]
) -> tuple[Effect, ...]:
    """Return the effects with their standard errors, without critical values yet."""
    mine = _in_sessions_of(everything, study)
    outlying = find_outlying(everything) & ~mine
    kept = ~outlying & (mine | ~find_short(everything))
    layers = split_layers(everything.take(kept))
    noise = learn_noise(
        layers,
        everything.rpm,
        own=mine[kept],
        drift_fitted=len(layers.slope) < LEAST_SLOPES
        and any(fits_drift(study, baseline=baseline, candidate=name) for name in candidates),
        fitted_once=len(split_layers(study).refit) == 0,
    )
    functionals = _functionals(study, baseline)
    effects = tuple(
        _point_effect(study, noise, functionals, baseline=baseline, candidate=candidate)
        for candidate in candidates
    )
    return tuple(
        replace(one, outlying=tuple(np.array(everything.pull)[outlying].tolist()))
        for one in effects
    )


def _point_effect(
    study: CurveSet, noise: NoiseModel, functionals: Floats, *, baseline: str, candidate: str
) -> Effect:
    """Return the effect with its standard errors, without critical values yet."""
    contrast = weigh_pulls(
        study,
        baseline=baseline,
        candidate=candidate,
        session_ratio=_session_ratio(noise),
        drift_ratio=_drift_ratio(noise),
        drift_in_sessions=noise.drift_in_sessions,
    )
    curve = contrast.weights @ study.log_torque
    lacking = _lacking(noise, contrast)
    target = _target(contrast, functionals)
    return Effect(
        rpm=study.rpm,
        curve=curve,
        means=functionals @ curve,
        contrast=contrast,
        noise=noise,
        spread=None if lacking else standard_errors(noise, target),
        draws=None,
        curve_factor=None,
        means_factor=None,
        pointwise_factor=None,
        lacking=lacking,
        outlying=(),
    )


def _with_critical_values(
    effects: tuple[Effect, ...],
    functionals: Floats,
    *,
    alpha: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[Effect, ...]:
    judged = [at for at, effect in enumerate(effects) if not effect.lacking]
    if not judged:
        return effects
    targets = tuple(_target(effects[at].contrast, functionals) for at in judged)
    drawn = draw_errors(effects[judged[0]].noise, targets, draws=draws, rng=rng)
    curve_factor, means_factor = critical_values(drawn, alpha)
    complete = list(effects)
    for place, at in enumerate(judged):
        own = drawn.of(place)
        complete[at] = replace(
            effects[at],
            draws=own,
            pointwise_factor=np.quantile(np.abs(own.curve[:, 0]), 1.0 - 2.0 * alpha, axis=0),
            curve_factor=curve_factor,
            means_factor=means_factor,
        )
    return tuple(complete)


def _target(contrast: Contrast, functionals: Floats) -> Target:
    return Target(functionals=functionals, loadings=contrast.loadings, known=contrast.known)


def _in_sessions_of(everything: CurveSet, study: CurveSet) -> Flags:
    own = set(zip(study.engine, study.session, strict=True))
    return np.array(
        [key in own for key in zip(everything.engine, everything.session, strict=True)],
        dtype=np.bool_,
    )


def without_pull(effect: Effect, study: CurveSet, *, baseline: str, candidate: str) -> Effect:
    """Return the effect of a study that lost a pull, judged by the same critical values.

    Args:
        effect: Effect of the whole study.
        study: The study without the pull.
        baseline: Baseline setup.
        candidate: Candidate setup.
    """
    noise = with_own_noise(effect.noise, split_layers(study))
    left = _point_effect(
        study, noise, _functionals(study, baseline), baseline=baseline, candidate=candidate
    )
    return _judged_like(left, effect)


def on_other_curves(
    effects: tuple[Effect, ...],
    everything: CurveSet,
    study: CurveSet,
    *,
    baseline: str,
    candidates: tuple[str, ...],
) -> tuple[Effect, ...]:
    """Return the effects that the same pulls give when their torque is corrected otherwise.

    The noise is learned anew; the critical values, which hang on the design and on how many pulls
    there are, are kept.

    Args:
        effects: The effects as first estimated, one a candidate.
        everything: As in `estimate_effects`, corrected otherwise; may lack pulls of the history.
        study: Likewise.
        baseline: Baseline setup.
        candidates: Candidate setups.
    """
    others = _point_effects(everything, study, baseline=baseline, candidates=candidates)
    return tuple(_judged_like(other, effect) for other, effect in zip(others, effects, strict=True))


def _judged_like(left: Effect, effect: Effect) -> Effect:
    """Return an effect with the critical values of another."""
    return replace(
        left,
        draws=effect.draws,
        curve_factor=effect.curve_factor,
        means_factor=effect.means_factor,
        pointwise_factor=effect.pointwise_factor,
    )


def critical_values(draws: Draws, alpha: float) -> tuple[float, float]:
    """Return the critical values of the curve and of the band means.

    The band means get half of alpha; the curve gets the smallest value with which any member of
    the family, means or curve, is exceeded in at most a share alpha of the simulated studies.
    """
    means = np.abs(draws.means).max(axis=(1, 2))
    curve = np.abs(draws.curve).max(axis=(1, 2))
    means_factor = _upper_quantile(means, MEANS_SHARE * alpha)
    allowed = int(np.floor(alpha * len(curve))) - int((means > means_factor).sum())
    rest = np.sort(curve[means <= means_factor])[::-1]
    return float(rest[min(max(allowed, 0), len(rest) - 1)]), means_factor


def _upper_quantile(values: Floats, share: float) -> float:
    ordered = np.sort(values)
    return float(ordered[min(int(np.ceil((1.0 - share) * len(ordered))) - 1, len(ordered) - 1)])


def _functionals(study: CurveSet, baseline: str) -> Floats:
    own = np.array([name == baseline for name in study.setup])
    power = np.exp(study.log_torque[own].mean(axis=0)) * study.rpm
    return np.array([np.full(len(power), 1.0 / len(power)), power / power.sum()])


def _unmet(contrast: Contrast) -> bool:
    return contrast.kind == "different_sessions"


def _session_ratio(noise: NoiseModel) -> float | None:
    base = pooled_variance(noise)
    if noise.session is None or base is None:
        return None
    return float(component(noise.session, base).mean() / base.mean())


def _drift_ratio(noise: NoiseModel) -> float | None:
    base = pooled_variance(noise)
    if base is None or noise.slopes_seen < LEAST_SLOPES:
        return None
    if noise.drift is None:
        return None
    return float(component(noise.drift, base).mean() / base.mean())


def _known_speeds(noise: NoiseModel) -> Flags:
    """Flag the speeds near which pulls were repeated."""
    parts = [part for part in (noise.pull, noise.own) if part is not None]
    near = np.sum([part.contrasts_near(noise.rpm) for part in parts], axis=0)
    return near >= LEAST_NEAR


def _lacking(noise: NoiseModel, contrast: Contrast) -> str:
    """Return why the noise carries no interval; "" where it does."""
    repeats = _lacking_repeats(noise)
    if repeats:
        return repeats
    known = _known_speeds(noise)
    if known.mean() < 1.0 - MOST_UNKNOWN:
        where = noise.rpm[known]
        return (
            "for much of the band no pull was ever repeated; it is known how far pulls repeat "
            f"between {where[0]:g} and {where[-1]:g} rpm (ask for that with --band)"
        )
    session_df = noise.session.df if noise.session is not None else 0
    if _unmet(contrast) and session_df < LEAST_SESSION_DF:
        return (
            "the setups were never pulled in the same session, and the warehouse holds too few "
            f"setups repeated on another day ({session_df} of at least {LEAST_SESSION_DF}) to "
            "tell how far days differ"
        )
    return ""


def _lacking_repeats(noise: NoiseModel) -> str:
    own_df = noise.own.df if noise.own is not None else 0
    history_df = noise.pull.df if noise.pull is not None else 0
    if own_df + history_df < LEAST_PULL_DF:
        return (
            "too few pulls of one setup in one session are stored to tell how far pulls repeat "
            f"({own_df + history_df} to spare, of at least {LEAST_PULL_DF})"
        )
    if own_df == 0 and history_df < LEAST_PULL_DF_ALONE:
        if noise.narrowed:
            return (
                "this engine's pulls vary more than those of other engines, and it was repeated "
                f"too seldom ({history_df} to spare, of at least {LEAST_PULL_DF_ALONE}) to tell "
                "by how much"
            )
        return (
            "no setup of this study was pulled twice in one session, and the warehouse holds too "
            f"few repeats elsewhere ({history_df} of at least {LEAST_PULL_DF_ALONE}) to stand in"
        )
    if noise.engine_df < LEAST_ENGINE_DF and noise.engines_seen < LEAST_ENGINES:
        return (
            "this engine was never pulled twice with one setup in one session, and too few other "
            f"engines ({noise.engines_seen} of at least {LEAST_ENGINES}) tell how far engines "
            "differ in that"
        )
    return ""
