"""The band of a channel: where a new log of the same setup lies, speed by speed and all at once.

A new log is one more pull in one more session, so its difference from the mean of the reference
pulls collects the noise of the pull layer and of the session layer. Both are learned as `compare`
learns them for torque, and the factor is drawn by the same parametric bootstrap of the studentised
field (`dynostats.analysis.field`), in which every variance is estimated anew in each draw. The
chance of any false "outside" is split evenly over the channels and the runs of a log (Bonferroni),
which keeps it whatever their correlation. At no speed is the band narrower than the exact two-sided
tolerance factor makes it, nor than sensors can tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.envelope.channels import Watched
from dynostats.analysis.envelope.reference import Table
from dynostats.analysis.field import Target, draw_errors, standard_errors
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import NoiseModel, component, learn_noise, pooled_variance
from dynostats.analysis.outliers import find_outlying, find_short
from dynostats.analysis.tolerance import tolerance_factor
from dynostats.arrays import Flags, Floats

ALPHA = 0.05
CONTENT = 0.95
CONFIDENCE = 0.95
DRAWS = 20_000
SEED = 20_260_301
# With so many contrasts of its own the engine is judged by itself, else by all on its dyno.
ENOUGH_PULL_DF = 8
ENOUGH_SESSION_DF = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """The band of one channel, on the log scale of `Watched.to_log`.

    Args:
        watched: The channel.
        rpm: Shape (speeds,).
        mean: Mean of the reference pulls, shape (speeds,).
        error: Standard error of a new log about that mean, shape (speeds,).
        worst: Largest studentised error of each simulated log, rising, shape (draws,).
        family: How many bands hold together: channels times runs of the log.
        tolerance: Exact two-sided tolerance factor at one speed, for the SD of one log.
        single: SD of one log about the setup's true curve, shape (speeds,).
        pulls: Reference pulls that the mean rests on.
        sessions: Sessions they come from.
        pull_df: Degrees of freedom behind the pull-to-pull part, history included.
        session_df: The same of the session-to-session part; None where no setup was ever repeated
            in another session: then the band lacks what differs between days.
        scope: Whose history was pooled, in words.
        outlying: Reference pulls left out as unlike the others.
    """

    watched: Watched
    rpm: Floats
    mean: Floats
    error: Floats
    worst: Floats
    family: int
    tolerance: float
    single: Floats
    pulls: int
    sessions: int
    pull_df: int
    session_df: int | None
    scope: str
    outlying: tuple[str, ...]

    @property
    def factor(self) -> float:
        """Return the factor of `error` at which all speeds, channels and runs hold together."""
        allowed = int(np.floor(ALPHA / self.family * len(self.worst)))
        return float(self.worst[len(self.worst) - 1 - allowed])

    def for_family(self, family: int) -> Band:
        """Return the band that holds together with so many others."""
        return replace(self, family=family)

    def half_width(self, sampling: Floats | float = 0.0) -> Floats:
        """Return the half-width at each speed.

        Args:
            sampling: Variance that few samples add to a log's curve, shape (…, speeds).
        """
        together = self.factor * np.sqrt(self.error**2 + sampling)
        at_one = self.tolerance * np.sqrt(self.single**2 + sampling)
        return np.maximum(np.maximum(together, at_one), self.watched.least_half_width(self.mean))

    def edges(self, sampling: Floats | float = 0.0) -> tuple[Floats, Floats]:
        """Return the lower and the upper edge in the channel's unit."""
        half = self.half_width(sampling)
        return self.watched.to_unit(self.mean - half), self.watched.to_unit(self.mean + half)

    def usable(self) -> Flags:
        """Return the speeds at which the band is narrow enough to tell anything."""
        low, high = self.edges()
        return self.watched.is_too_wide(self.watched.to_unit(self.mean), low, high) == 0.0


def learn_band(watched: Watched, table: Table, *, engine: str) -> Band | None:
    """Learn the band of a channel from the reference pulls and the history around them.

    Args:
        watched: The channel.
        table: The channel over all pulls in scope.
        engine: Engine of the reference pulls.

    Returns:
        The band, by itself (see `Band.for_family`); None where fewer than two alike reference
        pulls have the channel.
    """
    curves, own, outlying = _sound(watched, table)
    if own.sum() < 2 or len(curves.rpm) == 0:
        return None
    reference = curves.take(own)
    noise, scope = _learn(curves, own, engine)
    if noise.pull is None and noise.own is None:  # every pull stands alone in its session
        reference = replace(reference, session=["all"] * len(reference))
        noise, scope = _learn(reference, np.ones(len(reference), dtype=np.bool_), engine)
    target = Target(
        functionals=np.zeros((0, len(curves.rpm))), loadings=_loadings(reference, noise)
    )
    drawn = draw_errors(noise, (target,), draws=DRAWS, rng=np.random.default_rng(SEED))
    worst = np.sort(np.abs(drawn.curve[:, 0]).max(axis=1))
    pull_df = sum(part.df for part in (noise.pull, noise.own) if part is not None)
    single, df = _one_log(noise)
    weights = _weights(reference)
    return Band(
        watched=watched,
        rpm=curves.rpm,
        mean=weights @ reference.log_torque,
        error=standard_errors(noise, target).curve,
        worst=worst,
        family=1,
        tolerance=tolerance_factor(
            round(float(1.0 / (weights @ weights)), 6),
            round(df, 3),
            content=CONTENT,
            confidence=CONFIDENCE,
        ),
        single=single,
        pulls=len(reference),
        sessions=len(set(curves.take(own).session)),
        pull_df=pull_df,
        session_df=None if noise.session is None else noise.session.df,
        scope=scope,
        outlying=outlying,
    )


def _sound(watched: Watched, table: Table) -> tuple[CurveSet, Flags, tuple[str, ...]]:
    """Return the curves without pulls that are unlike their setup, which are reference pulls."""
    pulls = table.pulls
    curves = CurveSet(
        rpm=table.rpm,
        log_torque=watched.to_log(table.values),
        pull=pulls["pull"].to_list(),
        engine=pulls["engine"].to_list(),
        session=pulls["session"].to_list(),
        setup=pulls["setup"].to_list(),
        order=pulls["order"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
    )
    if len(curves) == 0 or len(curves.rpm) == 0:
        return curves, table.own, ()
    odd = find_outlying(curves)
    kept = ~odd & (table.own | ~find_short(curves))
    names = np.array(curves.pull)[odd & table.own].tolist()
    return curves.take(kept), table.own[kept], tuple(names)


def _learn(curves: CurveSet, own: Flags, engine: str) -> tuple[NoiseModel, str]:
    """Learn the noise, each layer from the engine itself where that has seen enough."""
    layers = split_layers(curves)
    mine = np.array([name == engine for name in curves.engine])
    pull = np.isin(layers.pull.group, layers.sessions[mine])
    between = np.isin(layers.session.group, layers.engines[mine])
    alone = pull.sum() >= ENOUGH_PULL_DF or mine.all()
    days_alone = between.sum() >= ENOUGH_SESSION_DF or between.all()
    if alone:
        slope = np.isin(layers.slope.group, layers.sessions[mine])
        layers = replace(layers, pull=layers.pull.only(pull), slope=layers.slope.only(slope))
    if days_alone:
        refit = np.isin(layers.refit.group, layers.engines[mine])
        layers = replace(
            layers, session=layers.session.only(between), refit=layers.refit.only(refit)
        )
    others = "all engines on its dyno"
    scope = (
        f"pull to pull from {'the engine itself' if alone else others}, "
        f"day to day from {'the engine itself' if days_alone else others}"
    )
    return learn_noise(layers, curves.rpm, own=own), scope


def _weights(reference: CurveSet) -> Floats:
    """Return the weight of each reference pull in their mean: sessions weigh alike."""
    sessions = reference.session
    share = 1.0 / len(set(sessions))
    return np.array([share / sessions.count(name) for name in sessions])


def _loadings(reference: CurveSet, noise: NoiseModel) -> dict[str, Floats]:
    """Return what a new log less the reference mean collects: its own unit first, then theirs."""
    sessions = len(set(reference.session))
    by_session = np.concatenate([[1.0], np.full(sessions, -1.0 / sessions)])
    loadings = {
        "pull": np.concatenate([[1.0], -_weights(reference)]),
        "session": by_session,
        "refit": by_session,
        "drift": np.array([_spread_of_places(reference)]),
    }
    return {
        name: loading
        for name, loading in loadings.items()
        if name == "pull" or name in noise.upper_layers()
    }


def _spread_of_places(reference: CurveSet) -> float:
    """Return how far a pull's place in its session lies from the mean place, root mean square.

    A new log may come at any place of its session; it is taken to lie as the reference pulls did.
    """
    known = reference.order[np.isfinite(reference.order)]
    return max(float(np.sqrt(np.mean((known - known.mean()) ** 2))), 1.0) if known.size else 1.0


def _one_log(noise: NoiseModel) -> tuple[Floats, float]:
    """Return the SD of one log at each speed, and the degrees of freedom behind it.

    Source: Satterthwaite (1946), Biometrics Bulletin 2:110, for a sum of mean squares.
    """
    base = pooled_variance(noise)
    pull_df = sum(part.df for part in (noise.pull, noise.own) if part is not None)
    if base is None:
        msg = "a band needs a pull layer of noise"
        raise ValueError(msg)
    total, doubt = base.copy(), float((base**2).mean()) / pull_df
    if noise.session is not None:
        between = component(noise.session, base)
        total += between
        doubt += float((between**2).mean()) / noise.session.df
    return np.sqrt(total), float((total**2).mean()) / doubt
