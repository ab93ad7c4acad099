"""Why it changed: from stored pulls, curves and channels to an attribution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
from scipy.special import stdtridf

from dynostats.analysis.advice import PARTED
from dynostats.analysis.attribution.causes import BOOST, PLUMBING_SD, TEMPERATURE
from dynostats.analysis.attribution.evidence import collect, learn
from dynostats.analysis.attribution.exponents import Exponents, settle_exponents
from dynostats.analysis.attribution.finding import Attribution
from dynostats.analysis.attribution.scene import Scene, set_scene
from dynostats.analysis.attribution.split import Change, Scatter, Split, split_change
from dynostats.analysis.attribution.tables import Found, Learning, lay_out, pointwise_half
from dynostats.analysis.case import Case, open_case
from dynostats.analysis.channel_change import Exponent
from dynostats.analysis.conditions import Conditions, Footing
from dynostats.analysis.contrasts import within_sessions
from dynostats.analysis.cooler import COOLER_CHANNELS, measure_cooler
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import Contrast
from dynostats.analysis.effect import Effect, estimate_effects
from dynostats.analysis.field import Target, draw_errors, standard_errors
from dynostats.analysis.fuel import FUEL_CHANNELS, measure_fuel
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import learn_noise
from dynostats.analysis.outliers import find_outlying
from dynostats.analysis.question import Question
from dynostats.analysis.side_channels import read_side_channels
from dynostats.analysis.study import find_study
from dynostats.analysis.tables import mean_power
from dynostats.arrays import Flags, Floats, Ints
from dynostats.curves.correction import NONE
from dynostats.errors import AnalysisError

# Fewer contrasts of the engine's own than this borrow from other engines how causes scatter.
LEAST_SCATTER = 6
# An engine of fewer pulls tells nothing of exponents: one contrast needs a pull, a setup and a
# drift.
LEAST_PULLS = 3
DRAWS = 2000
SEED = 20_250_306


def attribute(
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    question: Question,
    *,
    conditions: Conditions | None = None,
) -> Attribution:
    """Split the difference of two setups by cause.

    Args:
        pulls: As in `compare`: one row a pull of everything in the warehouse.
        curves: One row a pull and grid speed: pull, rpm, torque (N.m), and where they were logged
            manifold_pressure (kPa absolute), charge_temperature (degC), lambda or lambda_1 to
            lambda_16.
        question: Engine, setups, band and alpha are used; torque is taken as measured.
        conditions: What else is known of how the pulls were measured.

    Raises:
        AnalysisError: As in `compare`.
    """
    study = find_study(pulls, question.engine, question.baseline, question.candidate)
    if study.parted:
        raise AnalysisError(
            f"this difference is not of the setups alone: {PARTED}",
            mend="Pull both setups again, in one session.",
        )
    case = open_case((study,), (question,), curves, conditions or Conditions())
    footing, corrected = _as_measured(case)
    everything, own = case.cut(footing, question.band)
    ambient = _ambient(study.scope, everything)
    names = (BOOST.channel, TEMPERATURE.channel, *COOLER_CHANNELS, *FUEL_CHANNELS)
    beside = read_side_channels(everything, own.pull, curves, ambient, names, question=question)
    scene = set_scene(
        everything,
        own.pull,
        curves,
        ambient,
        baseline=question.baseline,
        candidate=question.candidate,
    )
    mine = scene.pulls.take(scene.own)
    effect = estimate_effects(
        scene.pulls,
        mine,
        baseline=question.baseline,
        candidates=(question.candidate,),
        alpha=question.alpha,
    )[0]
    views = _views(mine, question.baseline)
    change = change_of(scene, effect.contrast)
    learned: Learning | None = None
    split = _nothing_split(effect, alpha=question.alpha)
    if scene.causes:
        odd = _odd_pulls(scene)
        learned = learn_exponents(scene, alpha=question.alpha, odd=odd)
        exponents = learned.exponents
        scatter = _scatter(scene, effect, exponents, views, alpha=question.alpha, odd=odd)
        split = split_change(change, exponents, scatter, views, alpha=question.alpha)
    worth = _worth_of(learned)
    return lay_out(
        Found(
            scene=scene,
            mine=mine,
            question=question,
            effect=effect,
            learned=learned,
            change=change,
            split=split,
            views=views,
            cooler=measure_cooler(beside, worth),
            fuel=measure_fuel(beside, worth.get("mixture")),
            notes=(*case.warnings(), *footing.warnings, *corrected),
        )
    )


def _as_measured(case: Case) -> tuple[Footing, tuple[str, ...]]:
    """Return the pulls uncorrected; where that cannot be, as the sheets have them, and say so."""
    try:
        return case.stand_on(NONE), ()
    except AnalysisError:
        footing = case.stand_on(None)
    if footing.correction == NONE:
        return footing, ()
    text = (
        f"Torque in these files is corrected by {footing.correction}, and the factor cannot be "
        "undone. Within a session that hardly matters; between days the correction has taken part "
        "of what pressure and temperature did."
    )
    return footing, (text,)


def _ambient(scope: pl.DataFrame, everything: CurveSet) -> Floats:
    """Return the air pressure of the cell at each pull, kPa; NaN where not read."""
    if "ambient_pressure_kpa" not in scope.columns:
        return np.full(len(everything), np.nan)
    read = dict(zip(scope["pull"], scope["ambient_pressure_kpa"].to_list(), strict=True))
    return np.array([np.nan if (v := read.get(n)) is None else v for n in everything.pull])


def _odd_pulls(scene: Scene) -> Flags:
    """Flag pulls outside the study whose torque the causes do not explain, unlike their likes'.

    By the exponents that physics expects: a pull in which a cause was varied on purpose is not
    odd, one that ran badly or bears another setup's name is.
    """
    expected = np.array([cause.prior.mean for cause in scene.causes])
    rows = np.flatnonzero(scene.complete())
    odd = np.zeros(len(scene.pulls), dtype=np.bool_)
    odd[rows] = find_outlying(_without_causes(scene, expected).take(rows))
    odd[scene.own] = False
    return odd


def learn_exponents(scene: Scene, *, alpha: float, odd: Flags) -> Learning:
    """Learn the exponents from the engine's own pulls, and from other engines'.

    Args:
        scene: Pulls and channels.
        alpha: One less the level of the coefficients' intervals.
        odd: Pulls to leave out, shape (pulls,).
    """
    by_engine: dict[str, list[int]] = {}
    for row, name in enumerate(scene.pulls.engine):
        if not odd[row]:
            by_engine.setdefault(name, []).append(row)
    home = scene.pulls.engine[int(scene.own[0])]
    own = scene.series(np.array(by_engine.pop(home), dtype=np.intp))
    if own is None:
        raise AnalysisError(
            "the pulls of this engine share no engine speeds",
            mend="Exclude pulls that ended early (see `pulls`).",
        )
    others = [
        series
        for rows in by_engine.values()
        if len(rows) >= LEAST_PULLS
        and (series := scene.series(np.array(rows, dtype=np.intp))) is not None
    ]
    start = np.array([cause.prior.mean for cause in scene.causes])
    evidence = [collect(one) for one in (own, *others)]
    learned = [learn(one, start=start, bend=scene.bend) for one in evidence]
    return Learning(
        exponents=settle_exponents(scene.causes, learned[0], learned[1:], alpha=alpha),
        history=len(own.session) - len(scene.own),
        evidence=evidence[0],
    )


def change_of(scene: Scene, contrast: Contrast) -> Change:
    """Return how torque and causes changed, by the weights that `compare` gives the pulls."""
    weights, own = contrast.weights, scene.own
    return Change(
        torque=weights @ scene.pulls.log_torque[own],
        causes=np.einsum("p,kps->ks", weights, scene.logs[:, own]),
        bent=weights @ scene.bent[own],
        plumbing=np.nan_to_num(weights @ scene.plumbing[own]),
        pull_factor=contrast.factor("pull"),
    )


def _worth_of(learned: Learning | None) -> dict[str, Exponent]:
    """Return the exponents by which a cooler and a mixture are valued, by the cause's name.

    Boost that the plumbing keeps costs no back pressure: the allowance for that is in the variance.
    """
    if learned is None:
        return {}
    found = learned.exponents
    allowed = {"boost": PLUMBING_SD**2}
    return {
        cause.name: Exponent(
            value=float(found.estimate[at]),
            variance=float(found.covariance[at, at]) + allowed.get(cause.name, 0.0),
            df=float(found.df[at]),
        )
        for at, cause in enumerate(found.causes)
    }


def _views(mine: CurveSet, baseline: str) -> Floats:
    """Return the views of the effect curve: its mean, its mean in kW, and each speed."""
    power = mean_power(mine, baseline)
    even = np.full(len(power), 1.0 / len(power))
    return np.vstack([even, power / power.sum(), np.eye(len(power))])


def _scatter(
    scene: Scene,
    effect: Effect,
    exponents: Exponents,
    views: Floats,
    *,
    alpha: float,
    odd: Flags,
) -> Scatter:
    variance = df = None
    if not effect.lacking:
        rows = np.flatnonzero(scene.complete())
        variance, df = _rest_noise(scene, rows[~odd[rows]], effect, exponents, views, alpha=alpha)
    return Scatter(causes=cause_contrasts(scene), rest_variance=variance, rest_df=df)


def cause_contrasts(scene: Scene) -> Floats:
    """Return how the causes differ between pulls of one setup in one session.

    Shape (causes, contrasts, speeds): of the engine itself, or of all where it was hardly ever
    pulled twice. Pulls outside the study in which a cause stands far off are left out.
    """
    rows = np.flatnonzero(scene.complete())
    own = set(scene.own.tolist())
    usual = np.ones(len(rows), dtype=np.bool_)
    for logs in scene.logs:
        usual &= ~find_outlying(replace(scene.pulls, log_torque=logs).take(rows))
    rows = rows[usual | np.array([row in own for row in rows], dtype=np.bool_)]
    home = scene.pulls.engine[int(scene.own[0])]
    here = np.array([scene.pulls.engine[row] == home for row in rows], dtype=np.bool_)
    contrasts = _contrasts_of(scene, rows[here])
    return contrasts if contrasts.shape[1] >= LEAST_SCATTER else _contrasts_of(scene, rows)


def _contrasts_of(scene: Scene, rows: Ints) -> Floats:
    causes, _, speeds = scene.logs.shape
    stacked = scene.logs[:, rows].transpose(1, 0, 2).reshape(len(rows), -1)
    found = within_sessions(
        stacked,
        [f"{scene.pulls.engine[row]}\n{scene.pulls.session[row]}" for row in rows],
        [scene.pulls.setup[row] for row in rows],
        scene.pulls.order[rows],
    ).pull
    return found.reshape(-1, causes, speeds).transpose(1, 0, 2)


def _rest_noise(
    scene: Scene, rows: Ints, effect: Effect, exponents: Exponents, views: Floats, *, alpha: float
) -> tuple[Floats, Floats]:
    """Return variance and degrees of freedom of what no cause explains, at each view.

    It is learned as `compare` learns the noise of torque, all its layers, from torque less what
    the causes explain. The degrees of freedom are those whose Student's t has the quantile that
    the simulated studies show.
    """
    kept = _without_causes(scene, exponents.estimate).take(rows)
    own = np.isin(kept.pull, [scene.pulls.pull[row] for row in scene.own])
    noise = learn_noise(
        split_layers(kept),
        kept.rpm,
        own=own,
        drift_fitted=effect.contrast.drift_fitted,
        fitted_once=len(split_layers(kept.take(own)).refit) == 0,
    )
    means = views[: -len(kept.rpm)]
    target = Target(functionals=means, loadings=effect.contrast.loadings)
    spread = standard_errors(noise, target)
    rng = np.random.default_rng(SEED)
    drawn = draw_errors(noise, (target,), draws=DRAWS, rng=rng)
    errors = np.hstack([drawn.means[:, 0], drawn.curve[:, 0]])
    limit = np.quantile(np.abs(errors), 1.0 - alpha, axis=0)
    df = np.nan_to_num(stdtridf(1.0 - alpha / 2.0, limit), nan=1e6, posinf=1e6)
    return np.concatenate([spread.means, spread.curve]) ** 2, np.clip(df, 1.0, 1e6)


def _without_causes(scene: Scene, exponents: Floats) -> CurveSet:
    explained = np.einsum("k,kps->ps", exponents, scene.logs) + scene.bend * scene.bent
    return replace(scene.pulls, log_torque=scene.pulls.log_torque - explained)


def _nothing_split(effect: Effect, *, alpha: float) -> Split:
    """Return the split where no cause can be told apart: all of it is unexplained."""
    means = np.full(2, np.nan)
    if effect.spread is not None and effect.means_factor is not None:
        means = effect.means_factor * effect.spread.means
    return Split(
        parts=np.concatenate([effect.means, effect.curve])[None],
        half=np.concatenate([means, pointwise_half(effect, alpha)])[None],
    )
