"""The cell's own noise, learned from all pulls in scope.

Each layer's variance is a function of engine speed. The variance at one speed from few curves is
poor, but neighbouring speeds agree, so sums of squares are pooled over neighbours with fixed
weights; whatever uses the variance must re-enact that pooling (see `field`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from dynostats.analysis.layers import Layer, Layers
from dynostats.analysis.moderation import weigh_prior_df
from dynostats.analysis.over_speed import (
    SpeedSums,
    correlation_over_speed,
    effective_speeds,
    pool_over_speed,
    pooling_weights,
    sum_contrasts,
    wavier,
)
from dynostats.arrays import Flags, Floats, Ints

# A layer is pooled into the pull layer when its mean square shows less than this evidence of
# being larger. Source: Bancroft (1964), Biometrics 20:427: a preliminary test near 0.25 keeps
# the final test close to its level.
POOL_ABOVE_P = 0.25
# A study that fits each setup once cannot tell fitting from change. It is charged with what past
# fittings differed only where that is shown beyond doubt: at 0.25, one or two contrasts kept
# by chance made every fourth such answer needlessly wide.
POOL_ABOVE_P_FITTED_ONCE = 0.01
# Fewer slope contrasts than this do not tell how far engines drift.
LEAST_SLOPES = 6
# The drift allowed for is exceeded with this chance.
DRIFT_BOUND_TAIL = 0.1
# No cell repeats better than two parts in ten thousand (common practice, no published source); a
# smaller variance comes from copies of a log, and would make every difference certain.
LEAST_VARIANCE = 0.0002**2
# Other engines teach nothing about one that is noisier with at least this much evidence.
NARROW_BELOW_P = 0.05
LEAST_TO_NARROW = 4
# Fewer repeats than this of the engine cannot stand in for history where the study has none of its
# own; leaving the other engines out then ends in no answer, so it takes stronger evidence.
LEAST_PULL_DF_ALONE = 6
NARROW_FEW_BELOW_P = 0.01
# Fewer pull contrasts of its own than this say nothing of an engine's noise.
LEAST_ENGINE_DF = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerNoise:
    """Covariance over engine speed of one mean square.

    Args:
        variance: Pooled mean square of the contrasts at each speed, shape (speeds,), log units
            squared.
        correlation: Shape (speeds, speeds), regularised.
        curves: The contrasts the mean square rests on, shape (df, speeds); NaN where not covered.
        coefficient: Mean coefficient of the layer in the mean square; 0 for the pull layer.
    """

    variance: Floats
    correlation: Floats
    curves: Floats
    coefficient: float

    def contrasts_near(self, rpm: Floats) -> Floats:
        """Return how many contrasts stand behind the variance at each speed, shape (speeds,)."""
        return pooling_weights(rpm) @ np.isfinite(self.curves).sum(axis=0)

    @property
    def df(self) -> int:
        """Return the number of contrasts."""
        return len(self.curves)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseModel:
    """Noise of a scope: what every comparison is judged against.

    Args:
        rpm: Grid speeds, shape (speeds,).
        pull: Mean square of pull contrasts outside the study; None where there are none.
        own: Mean square of pull contrasts of the study itself; None where there are none.
        session: Mean square of session contrasts; None where no setup was ever repeated in another
            session.
        drift: Mean square of slope contrasts, raised to what past sessions do not exclude; None
            where they are too few to tell.
        refit: Mean square of refit contrasts; None where none exist or none stands out.
        drift_in_sessions: Drift variance that sessions' means hold, per unit of session variance.
        prior_df_weights: Probability of each prior df of how much sessions' noise differs.
        drift_raised: By how much the mean square of slope contrasts was raised.
        slopes_seen: Number of sessions from which a drift could have been learned.
        engine_df: Pull contrasts of the study's own engine, in the study or outside.
        engines_seen: Number of engines with pull contrasts in history.
        narrowed: True when other engines were left out because the study's engine is noisier.
    """

    rpm: Floats
    pull: LayerNoise | None
    own: LayerNoise | None
    session: LayerNoise | None
    drift: LayerNoise | None
    refit: LayerNoise | None
    drift_in_sessions: float
    prior_df_weights: Floats
    drift_raised: float
    slopes_seen: int
    engine_df: int
    engines_seen: int
    narrowed: bool

    def upper_layers(self) -> dict[str, LayerNoise]:
        """Return the layers above the pull layer that exist, by name."""
        named = {"session": self.session, "drift": self.drift, "refit": self.refit}
        return {name: layer for name, layer in named.items() if layer is not None}


def learn_noise(
    layers: Layers,
    rpm: Floats,
    *,
    own: Flags,
    drift_fitted: bool = False,
    fitted_once: bool = False,
) -> NoiseModel:
    """Estimate every layer's covariance over engine speed.

    Args:
        layers: Contrasts of all pulls in scope, the study's included.
        rpm: Grid speeds of the contrasts, shape (speeds,).
        own: Shape (pulls,): True for the study's pulls; they are left out of their own prior.
        drift_fitted: True when the study's effect has a drift fitted in each of its sessions: that
            uses its slope contrasts up.
        fitted_once: True when no setup of the study was fitted in several of its sessions beside
            another, so that the study itself says nothing of how fittings differ.

    Returns:
        The noise model.
    """
    pull, refit = _pool_layers(
        layers,
        rpm,
        used_up=layers.sessions[own] if drift_fitted else layers.sessions[:0],
        fitted_once=fitted_once,
    )
    own_groups = np.union1d(
        layers.sessions[own], _engine_groups(layers, np.unique(layers.engines[own]))
    )
    mine = np.isin(pull.group, own_groups)
    study, history = pull.only(mine), pull.only(~mine)
    engine_groups = np.union1d(
        layers.sessions[np.isin(layers.engines, layers.engines[own])], own_groups
    )
    near = np.isin(history.group, engine_groups)
    engine_df = len(study) + int(near.sum())
    slope, raised = _not_excluded(layers.slope, pull, rpm)
    history, narrowed = _narrow(study, history, near, rpm)
    return NoiseModel(
        rpm=rpm,
        pull=layer_noise(history, rpm),
        own=layer_noise(study, rpm),
        session=layer_noise(layers.session, rpm),
        drift=layer_noise(slope, rpm),
        refit=layer_noise(refit, rpm),
        drift_in_sessions=_drift_in_sessions(layers),
        # With nothing of its own the engine is judged as one more of many: engines are the groups.
        prior_df_weights=_weigh_heterogeneity(
            _by_engine(history, layers) if own.any() and engine_df < LEAST_ENGINE_DF else history,
            rpm,
        ),
        drift_raised=raised,
        slopes_seen=len(layers.slope),
        engine_df=engine_df,
        engines_seen=len(np.unique(_by_engine(history, layers).group)),
        narrowed=narrowed,
    )


def with_own_noise(noise: NoiseModel, study: Layers) -> NoiseModel:
    """Return the noise with the study's own part learned from other contrasts of the study.

    Where nothing is left of it and there is no history, the old one stays: it is all there is.
    """
    own = layer_noise(study.pull, noise.rpm)
    if own is None and noise.pull is None:
        own = noise.own
    return replace(noise, own=own)


def curve_worth(noise: NoiseModel) -> float:
    """Return how many independent speeds the mean square of one contrast is worth."""
    layer = noise.pull if noise.pull is not None else noise.own
    return 1.0 if layer is None else effective_speeds(wavier(layer.correlation, layer.df))


def component(layer: LayerNoise, pull_variance: Floats) -> Floats:
    """Return the variance of a layer itself, truncated at zero where the moment is negative.

    Args:
        layer: Mean square of the layer.
        pull_variance: Variance of the pull layer, shape (speeds,).
    """
    return np.clip((layer.variance - pull_variance) / layer.coefficient, 0.0, None)


def pooled_variance(noise: NoiseModel) -> Floats | None:
    """Return the pull variance over engine speed from history and study together."""
    parts = [part for part in (noise.pull, noise.own) if part is not None]
    if not parts:
        return None
    return pool_over_speed(np.concatenate([part.curves for part in parts]), noise.rpm)


def correlation_length(noise: NoiseModel) -> float | None:
    """Return the lag at which the correlation of pull noise over speed falls to 1/e, rpm."""
    layer = noise.pull if noise.pull is not None else noise.own
    if layer is None or len(noise.rpm) < 2:
        return None
    size = len(noise.rpm)
    by_lag = np.array([np.diagonal(layer.correlation, lag).mean() for lag in range(size)])
    low = np.flatnonzero(by_lag < np.exp(-1.0))
    return float(noise.rpm[int(low[0])] - noise.rpm[0]) if low.size else None


def _drift_in_sessions(layers: Layers) -> float:
    if len(layers.session) == 0:
        return 0.0
    return float(layers.session_drift.mean() / layers.session.coefficient.mean())


def _pool_layers(
    layers: Layers, rpm: Floats, *, used_up: Ints, fitted_once: bool
) -> tuple[Layer, Layer]:
    """Pool slope and refit contrasts into the pull layer unless they stand out from it.

    Where there are no pull contrasts they stand in for them: what they hold beside pull noise can
    only make them larger. A few slope contrasts are pooled untested: a test that seldom finds a
    drift would only sort out large ones by chance and leave the noise too small.
    """
    slope = layers.slope.only(~np.isin(layers.slope.group, used_up))
    least_p = POOL_ABOVE_P if len(slope) >= LEAST_SLOPES else 0.0
    pull, slope = _pool(layers.pull, slope, slope.group, rpm, least_p=least_p)
    groups = _engine_groups(layers, layers.refit.group)
    least_p = POOL_ABOVE_P_FITTED_ONCE if fitted_once else POOL_ABOVE_P
    pull, refit = _pool(pull, layers.refit, groups, rpm, least_p=least_p)
    return pull, refit


def _not_excluded(slope: Layer, pull: Layer, rpm: Floats) -> tuple[Layer, float]:
    """Return slope contrasts scaled up to the largest drift that they do not exclude, and how far.

    A drift that does not stand out may still be there, and a study that runs one setup after the
    other collects several times as much of it as one slope shows. So not the estimate is used but
    its one-sided bound, by the chi-square distribution of a mean square with its contrasts times
    the speeds a curve is worth as degrees of freedom. Few contrasts bound nothing: then a drift
    is fitted in the study.
    """
    if len(slope) < LEAST_SLOPES or len(pull) == 0:
        return slope.only(np.zeros(len(slope), dtype=np.bool_)), 1.0
    df = len(slope) * worth_of_sums(sum_contrasts(pull.curves), rpm)
    raised = df / float(chi2.ppf(DRIFT_BOUND_TAIL, df))
    return replace(slope, curves=slope.curves * np.sqrt(raised)), raised


def _narrow(study: Layer, history: Layer, near: Flags, rpm: Floats) -> tuple[Layer, bool]:
    """Leave other engines out of the noise when the study's engine is shown to be noisier.

    One-sided on purpose: an engine that looks quieter than the rest may only be lucky, and then
    its own pulls would understate the noise.
    """
    same, other = history.only(near), history.only(~near)
    engine = Layer(
        curves=np.concatenate([study.curves, same.curves]),
        coefficient=np.concatenate([study.coefficient, same.coefficient]),
        group=np.concatenate([study.group, same.group]),
    )
    if len(engine) < LEAST_TO_NARROW or len(other) < LEAST_TO_NARROW:
        return history, False
    enough = len(engine) >= LEAST_PULL_DF_ALONE
    least_p = NARROW_BELOW_P if enough else NARROW_FEW_BELOW_P
    if mean_square_evidence(other, engine, rpm) >= least_p:
        return history, False
    return same, True


def _by_engine(pull: Layer, layers: Layers) -> Layer:
    """Return the contrasts with engines as their groups."""
    engine_of = dict(zip(layers.sessions.tolist(), layers.engines.tolist(), strict=True))
    first = int(layers.sessions.max()) + 1
    groups = [engine_of.get(number, number - first) for number in pull.group.tolist()]
    return replace(pull, group=np.array(groups, dtype=np.intp))


def _engine_groups(layers: Layers, engines: Ints) -> Ints:
    """Number engines behind the sessions, so that both can be groups of one layer."""
    return engines + int(layers.sessions.max()) + 1


def _pool(
    pull: Layer, upper: Layer, group: Ints, rpm: Floats, *, least_p: float
) -> tuple[Layer, Layer]:
    if len(upper) == 0 or (len(pull) > 0 and mean_square_evidence(pull, upper, rpm) < least_p):
        return pull, upper
    together = Layer(
        curves=np.concatenate([pull.curves, upper.curves]),
        coefficient=np.zeros(len(pull) + len(upper)),
        group=np.concatenate([pull.group, group]),
    )
    return together, upper.only(np.zeros(len(upper), dtype=np.bool_))


def mean_square_evidence(lower: Layer, upper: Layer, rpm: Floats) -> float:
    """Return the p value of the upper layer's mean square being larger only by chance."""
    return evidence_of_sums(sum_contrasts(lower.curves), sum_contrasts(upper.curves), rpm)


def pool_unless_apart(
    pull: SpeedSums, slope: SpeedSums, refit: SpeedSums, rpm: Floats
) -> SpeedSums:
    """Return the sums of the pull layer with what does not stand out from it pooled into it.

    As `learn_noise` does it of contrasts, no study being judged.
    """
    least_p = POOL_ABOVE_P if len(slope) >= LEAST_SLOPES else 0.0
    for upper, least in ((slope, least_p), (refit, POOL_ABOVE_P)):
        if len(upper) and (not len(pull) or evidence_of_sums(pull, upper, rpm) >= least):
            pull = pull + upper
    return pull


def evidence_of_sums(
    lower: SpeedSums, upper: SpeedSums, rpm: Floats, *, worth: float | None = None
) -> float:
    """Return the p value of the upper mean square being larger than the lower only by chance.

    Args:
        lower: Sums of contrasts.
        upper: Likewise.
        rpm: Grid speeds, shape (speeds,).
        worth: Independent speeds that a curve is worth; None to learn it from the lower.

    Source: the F test of two mean squares, each with its contrasts times the independent speeds
    that a curve is worth as degrees of freedom (Satterthwaite 1946).
    """
    base = np.sqrt(lower.pooled(rpm))
    if not (base > 0).all():
        return 0.0
    worth = worth_of_sums(lower, rpm) if worth is None else worth
    ratio = upper.over(base).mean_square() / lower.over(base).mean_square()
    return float(f_distribution.sf(ratio, len(upper) * worth, len(lower) * worth))


def worth_of_sums(sums: SpeedSums, rpm: Floats) -> float:
    """Return how many independent speeds the mean square of one contrast is worth."""
    base = np.sqrt(np.maximum(sums.pooled(rpm), LEAST_VARIANCE))
    return effective_speeds(wavier(sums.over(base).correlation(rpm), len(sums)))


def _mean_square(curves: Floats) -> float:
    known = curves[np.isfinite(curves)]
    return float(np.mean(known**2)) if known.size else 0.0


def layer_noise(layer: Layer, rpm: Floats) -> LayerNoise | None:
    """Return the covariance over engine speed of a layer's contrasts; None where there are none."""
    seen = layer.curves[np.isfinite(layer.curves).any(axis=1)]
    if len(seen) == 0:
        return None
    variance = pool_over_speed(seen, rpm)
    variance = np.maximum(variance, LEAST_VARIANCE)
    return LayerNoise(
        variance=variance,
        correlation=correlation_over_speed(seen / np.sqrt(variance), rpm),
        curves=seen,
        coefficient=float(layer.coefficient.mean()),
    )


def _weigh_heterogeneity(history: Layer, rpm: Floats) -> Floats:
    if len(history) == 0:
        return weigh_prior_df(np.zeros(0), np.zeros(0))
    base = np.sqrt(np.maximum(pool_over_speed(history.curves, rpm), 1e-12))
    scaled = history.curves / base
    worth = effective_speeds(correlation_over_speed(scaled, rpm))
    ratios: list[float] = []
    df: list[float] = []
    for group in np.unique(history.group):
        own = scaled[history.group == group]
        ratios.append(max(_mean_square(own), 1e-6))
        df.append(len(own) * worth)
    return weigh_prior_df(np.array(ratios), np.array(df))
