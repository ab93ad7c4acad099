"""Critical values for a whole curve at once: parametric bootstrap of the studentised field.

In every draw the effect curve's error and every variance estimate are simulated anew, the
variances from as many simulated contrasts as there were, pooled over neighbouring speeds exactly
as in the analysis. That keeps the error of the variances in the critical value, which a plug-in
multivariate t does not. Sources: Degras (2011), Statistica Sinica 21:1735, for simultaneous
bands of curves by simulation; Davison & Hinkley (1997), Bootstrap Methods, ch. 2, for the
studentised parametric bootstrap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.moderation import PRIOR_DF_GRID
from dynostats.analysis.noise import (
    LEAST_VARIANCE,
    LayerNoise,
    NoiseModel,
    component,
    curve_worth,
)
from dynostats.analysis.over_speed import LEAST_COUNT, pooling_weights, wavier
from dynostats.arrays import Flags, Floats, Singles

# Contrasts simulated a layer, the costly part: a variance from few contrasts varies much and is
# simulated in many worlds; each world serves several simulated effect curves.
CONTRASTS_DRAWN = 20_000
# More contrasts than this are simulated by narrowing the spread of that many.
MOST_SIMULATED = 48
# A layer that the effect collects less of than this share cancels in it.
NO_FACTOR = 1e-9
# Share of a band mean's weight that a contrast must cover to tell of its variance.
MOSTLY_COVERED = 0.8
# Part of the total variance that the kept principal curves must carry.
KEPT_VARIANCE = 0.999


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """What is asked of an effect curve.

    Args:
        functionals: Shape (members, speeds): rows that turn an effect curve into band means.
        loadings: By layer ("pull" and those above it), how much of each of its units the effect
            collects: a weight a pull, a session, a drift, a fitting. Effects of one study share
            the units, so that errors they have in common are drawn in common.
        known: Shape (units, speeds): what one SD of each error of known size adds to the effect;
            the units are the same for all effects of one study. None where there is none.
    """

    functionals: Floats
    loadings: dict[str, Floats]
    known: Floats | None = None

    def factor(self, layer: str) -> float:
        """Return the effect's variance per unit of variance of a layer."""
        return float(self.loadings[layer] @ self.loadings[layer])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Simulated studentised errors.

    Args:
        curve: Shape (draws, effects, speeds).
        means: Shape (draws, effects, members).
    """

    curve: Floats
    means: Floats

    def of(self, effect: int) -> Draws:
        """Return the draws of one effect alone."""
        one = slice(effect, effect + 1)
        return Draws(curve=self.curve[:, one], means=self.means[:, one])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Standard errors of the effect.

    Args:
        curve: Shape (speeds,), log units.
        means: Shape (members,).
        history_weight: Share of the scale of the pull variance that rests on history.
    """

    curve: Floats
    means: Floats
    history_weight: float


def standard_errors(noise: NoiseModel, target: Target) -> Spread:
    """Return the standard errors of the effect curve and of its functionals.

    Args:
        noise: The learned noise; at least one pull layer.
        target: Functionals and factors.
    """
    fields = {
        name: _squares_of(layer, noise.rpm, target.functionals)[None]
        for name, layer in _layers(noise, (target,)).items()
    }
    combined = _combine(fields, noise, target)
    split = len(noise.rpm)
    return Spread(
        curve=np.sqrt(combined[0, :split]),
        means=np.sqrt(combined[0, split:]),
        history_weight=_history_share(noise),
    )


def draw_errors(
    noise: NoiseModel, targets: tuple[Target, ...], *, draws: int, rng: np.random.Generator
) -> Draws:
    """Simulate the studentised errors of effect curves and their functionals, jointly.

    Args:
        noise: The learned noise, taken as true in the simulation.
        targets: One a effect; their functionals are the same.
        draws: Number of simulated studies.
        rng: Source of randomness.
    """
    layers = _layers(noise, targets)
    functionals = targets[0].functionals
    worlds = min(
        CONTRASTS_DRAWN // max(min(layer.df, MOST_SIMULATED) for layer in layers.values()), draws
    )
    roots = _roots(noise, layers)
    scale = _draw_scales(noise, worlds, rng)
    fields = {
        name: _draw_squares(layer, roots[name], functionals, rpm=noise.rpm, worlds=worlds, rng=rng)
        for name, layer in layers.items()
    }
    if "own" in fields:
        fields["own"] *= scale[:, None]
    if "drift" in fields:  # a simulated study raises what it sees of drift as the real one does
        fields["drift"] *= noise.drift_raised
    error_sd = np.sqrt(np.stack([_combine(fields, noise, one) for one in targets], axis=1))
    world = np.arange(draws) % worlds
    error = _draw_effects(roots, targets, scale[world], rng)
    ratio = np.concatenate([error, error @ functionals.T], axis=2) / error_sd[world]
    split = len(noise.rpm)
    return Draws(curve=ratio[:, :, :split], means=ratio[:, :, split:])


def _layers(noise: NoiseModel, targets: tuple[Target, ...]) -> dict[str, LayerNoise]:
    """Return the layers that the effects collect noise from, by name."""
    named = {"history": noise.pull, "own": noise.own}
    lowest = {name: layer for name, layer in named.items() if layer is not None}
    upper = {
        name: layer
        for name, layer in noise.upper_layers().items()
        if max(target.factor(name) for target in targets) > NO_FACTOR
    }
    return lowest | upper


def _squares_of(layer: LayerNoise, rpm: Floats, functionals: Floats) -> Floats:
    """Mean squares of a layer's contrasts: pooled over speed, then of each functional."""
    covered = np.isfinite(layer.curves)
    filled = np.where(covered, layer.curves, 0.0)
    return _mean_squares(filled[None], covered, rpm, functionals)[0]


def _mean_squares(
    curves: Floats | Singles, covered: Flags, rpm: Floats, functionals: Floats
) -> Floats:
    """Mean squares of stacks of contrasts.

    Args:
        curves: Shape (stacks, contrasts, speeds), zero where not covered.
        covered: Shape (contrasts, speeds), the same for every stack.
        rpm: Grid speeds.
        functionals: Shape (members, speeds).

    Returns:
        Shape (stacks, speeds + members).
    """
    weights = pooling_weights(rpm)
    counts = np.maximum(weights @ covered.sum(axis=0), LEAST_COUNT)
    pooled = (np.einsum("wjr,wjr->wr", curves, curves) @ weights.T) / counts
    reach = covered @ functionals.T
    whole = np.all(reach >= MOSTLY_COVERED, axis=1)
    if whole.any():
        # The mean of a contrast that is covered but for a little is its mean over what is covered.
        seen = curves if whole.all() else curves[:, whole]
        values = (seen @ functionals.T.astype(curves.dtype)) / reach[whole]
        means = np.einsum("wjm,wjm->wm", values, values) / int(whole.sum())
    else:
        means = pooled @ functionals.T  # a mean varies at most as its members do on average
    return np.maximum(np.hstack([pooled, means]), LEAST_VARIANCE)


def _counts(layer: LayerNoise, rpm: Floats, functionals: Floats) -> Floats:
    """Return how many contrasts stand behind each mean square, shape (speeds + members,)."""
    reach = np.isfinite(layer.curves) @ functionals.T
    whole = float(np.all(reach >= MOSTLY_COVERED, axis=1).sum())
    members = np.full(len(functionals), max(whole, LEAST_COUNT))
    return np.concatenate([np.maximum(layer.contrasts_near(rpm), LEAST_COUNT), members])


def _combine(fields: dict[str, Floats], noise: NoiseModel, target: Target) -> Floats:
    """Turn mean squares into the variance of the effect, shape (worlds, speeds + members)."""
    base = _pooled_base(fields, noise, target.functionals)
    scale = _moderated_scale(fields, noise)
    variance = target.factor("pull") * base * scale[:, None]
    for name, layer in noise.upper_layers().items():
        if name in fields:
            share = np.clip((fields[name] - base) / layer.coefficient, 0.0, None)
            variance = variance + target.factor(name) * share
    return variance + _known_variance(target)


def _known_variance(target: Target) -> Floats:
    """Return what errors of known size add to the variance, shape (speeds + members,)."""
    if target.known is None:
        return np.zeros(sum(target.functionals.shape))
    known = np.hstack([target.known, target.known @ target.functionals.T])
    return (known**2).sum(axis=0)


def _pooled_base(fields: dict[str, Floats], noise: NoiseModel, functionals: Floats) -> Floats:
    """Pull variance at history's scale, its shape over speed learned from history and study."""
    if noise.pull is None:
        return fields["own"]
    if noise.own is None:
        return fields["history"]
    ratio = _own_ratio(fields, noise)[:, None]
    past = _counts(noise.pull, noise.rpm, functionals)
    own = _counts(noise.own, noise.rpm, functionals)
    return (past * fields["history"] + own * fields["own"] / ratio) / (past + own)


def _own_ratio(fields: dict[str, Floats], noise: NoiseModel) -> Floats:
    """Variance of the study's pulls over history's, where history knows it, shape (worlds,)."""
    if noise.pull is None:
        return np.ones(len(fields["own"]))
    speeds = len(noise.rpm)
    weight = noise.pull.contrasts_near(noise.rpm) + LEAST_COUNT
    ratio = fields["own"][:, :speeds] / fields["history"][:, :speeds]
    return ratio @ (weight / weight.sum())


def _moderated_scale(fields: dict[str, Floats], noise: NoiseModel) -> Floats:
    """Scale of the study's own noise relative to history's, drawn toward one."""
    if noise.pull is None or noise.own is None:
        return np.ones(len(next(iter(fields.values()))))
    share = _history_share(noise)
    return share + (1.0 - share) * _own_ratio(fields, noise)


def _history_share(noise: NoiseModel) -> float:
    """Weight of history in the scale: d0 / (d0 + d), both in effective degrees of freedom."""
    if noise.pull is None:
        return 0.0
    if noise.own is None:
        return 1.0
    worth = curve_worth(noise)
    likeness = 1.0 / float(noise.prior_df_weights @ (1.0 / PRIOR_DF_GRID))
    prior_df = 1.0 / (1.0 / likeness + 1.0 / (noise.pull.df * worth))
    return prior_df / (prior_df + noise.own.df * worth)


def _draw_scales(noise: NoiseModel, worlds: int, rng: np.random.Generator) -> Floats:
    """Draw how noisy the study's sessions are relative to history's."""
    if noise.pull is None:
        return np.ones(worlds)
    prior_df = rng.choice(PRIOR_DF_GRID, size=worlds, p=noise.prior_df_weights)
    return prior_df / rng.chisquare(prior_df)


def _roots(noise: NoiseModel, layers: dict[str, LayerNoise]) -> dict[str, Floats]:
    """Square roots of covariances, shape (kept, speeds): normal draws @ root have the covariance.

    Under a layer's name stands the root of its mean square, for drawing variances; under "of" the
    layer the root of the layer alone, for drawing errors.
    """
    main = layers.get("history", layers.get("own"))
    if main is None:
        msg = "a field needs a pull layer of noise"
        raise ValueError(msg)
    roots = {
        name: _root(layer.variance, wavier(layer.correlation, layer.df))
        for name, layer in layers.items()
    }
    if "own" in roots:  # too few contrasts for a covariance of its own: history's shape
        roots["own"] = _root(main.variance, wavier(main.correlation, main.df))
    for name, layer in noise.upper_layers().items():
        if name in layers:
            roots[f"of {name}"] = _root(component(layer, main.variance), layer.correlation)
    roots["of pull"] = _root(main.variance, main.correlation)
    return roots


def _root(variance: Floats, correlation: Floats) -> Floats:
    sd = np.sqrt(variance)
    size, basis = np.linalg.eigh(correlation)
    order = np.argsort(size)[::-1]
    size, basis = np.clip(size[order], 0.0, None), basis[:, order]
    carried: Floats = np.cumsum(size)
    kept = int((carried < KEPT_VARIANCE * carried[-1]).sum()) + 1
    root = basis[:, :kept] * np.sqrt(size[:kept])
    # What the dropped principal curves carried is put back on the diagonal by scaling.
    root *= (1.0 / np.sqrt((root**2).sum(axis=1)))[:, None]
    return (root * sd[:, None]).T


def _draw_squares(
    layer: LayerNoise,
    root: Floats,
    functionals: Floats,
    *,
    rpm: Floats,
    worlds: int,
    rng: np.random.Generator,
) -> Floats:
    """Draw mean squares as the layer's contrasts would give them, shape (worlds, all)."""
    simulated = min(layer.df, MOST_SIMULATED)
    # Single precision halves the costliest step; a simulated variance is off by its luck, not by
    # its seventh digit.
    normal = rng.standard_normal((worlds * simulated, len(root)), dtype=np.float32)
    curves = (normal @ root.astype(np.float32)).reshape(worlds, simulated, len(rpm))
    covered = _typical_coverage(layer, simulated)
    if not covered.all():
        curves *= covered
    squares = _mean_squares(curves, covered, rpm, functionals)
    # The wavier correlation of `wavier` changes the variance of a band mean; only its spread
    # about the truth is wanted here.
    split = len(rpm)
    truth = np.einsum("mr,rs,ms->m", functionals, _covariance(layer), functionals)
    used = ((functionals @ root.T) ** 2).sum(axis=1)
    squares[:, split:] *= truth / used
    if layer.df > simulated:
        centre = np.exp(np.log(squares).mean(axis=0))
        squares = centre * (squares / centre) ** np.sqrt(simulated / layer.df)
    return squares


def _typical_coverage(layer: LayerNoise, contrasts: int) -> Flags:
    """Return the coverage of a few contrasts that stand for all, whatever order they came in."""
    covered = np.isfinite(layer.curves)
    ordered = covered[np.lexsort((*covered.T, covered.sum(axis=1)))]
    return ordered[np.linspace(0, len(ordered) - 1, contrasts).round().astype(np.intp)]


def _covariance(layer: LayerNoise) -> Floats:
    sd = np.sqrt(layer.variance)
    return layer.correlation * np.outer(sd, sd)


def _draw_effects(
    roots: dict[str, Floats],
    targets: tuple[Target, ...],
    scale: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Draw errors of the effects, shape (draws, effects, speeds)."""
    draws = len(scale)
    error = np.zeros((draws, len(targets), roots["of pull"].shape[1]))
    for name in targets[0].loadings:
        if f"of {name}" not in roots:
            continue
        root = roots[f"of {name}"]
        shared = _shared_root(np.array([target.loadings[name] for target in targets]))
        drawn = rng.standard_normal((draws, shared.shape[1], len(root)))
        part = shared @ drawn @ root
        error += part * np.sqrt(scale)[:, None, None] if name == "pull" else part
    known = [target.known for target in targets if target.known is not None]
    if known:
        drawn = rng.standard_normal((draws, len(known[0])))
        error += np.stack([drawn @ curves for curves in known], axis=1)
    return error


def _shared_root(loadings: Floats) -> Floats:
    """Return a square root of the matrix of products of loadings, shape (effects, effects)."""
    size, basis = np.linalg.eigh(loadings @ loadings.T)
    return basis * np.sqrt(np.clip(size, 0.0, None))
