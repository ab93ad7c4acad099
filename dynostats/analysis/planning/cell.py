"""The noise that a plan reckons with: the cell's own where it is known, else a stated assumption.

All of it is about the mean over the band, on the log scale, because that is what a plan promises.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import Contrast
from dynostats.analysis.field import MOSTLY_COVERED, Target, standard_errors
from dynostats.analysis.layers import Layers, split_layers
from dynostats.analysis.moderation import PRIOR_DF_GRID
from dynostats.analysis.noise import (
    LEAST_TO_NARROW,
    NARROW_BELOW_P,
    LayerNoise,
    NoiseModel,
    effective_speeds,
    learn_noise,
    mean_square_evidence,
    wavier,
)
from dynostats.analysis.outliers import find_outlying, find_short
from dynostats.arrays import Flags, Floats

# What a shop without any pulls may reckon with. Common practice, no published source: pulls of an
# unchanged, warm engine agree within about one percent, days within about two.
ASSUMED_PULL_SD = 0.005
ASSUMED_SESSION_SD = 0.007
ASSUMED_SOURCE = (
    "assumed, not measured: 0.5% from pull to pull and 0.7% from session to session (common "
    "practice, no published source). `dynostats ingest` of a few repeated pulls replaces it"
)
# With fewer pull contrasts than this a variance is a guess, and the assumption is used.
LEAST_LEARNED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class CellNoise:
    """Variances of the mean over the band, log units squared, and how well they are known.

    Args:
        source: In words: whose pulls this was learned from, or that it is assumed.
        learned: Whether the pull variance is the cell's own.
        pull: Variance from pull to pull.
        pull_df: Contrasts behind it; 0 where it is assumed.
        likeness_df: How alike the noise of sessions is, as prior degrees of freedom; infinite
            where history plays no part.
        worth: Independent speeds that a curve is worth when its noise is judged, 1 or more.
        session: Variance from session to session; None where no setup came back.
        session_df: Contrasts behind it.
        drift: Variance of a linear drift per pull of run order; None where it is not known: then
            a comparison fits a drift if the order leaves any.
        refit: Variance of fitting a setup anew in each session; 0 where none stood out.
    """

    source: str
    learned: bool
    pull: float
    pull_df: int
    likeness_df: float
    worth: float
    session: float | None
    session_df: int
    drift: float | None
    refit: float

    @property
    def drift_ratio(self) -> float | None:
        """Return the drift variance over the pull variance."""
        return None if self.drift is None else self.drift / self.pull

    @property
    def session_ratio(self) -> float | None:
        """Return the session variance over the pull variance."""
        return None if self.session is None else self.session / self.pull

    def to_dict(self) -> dict[str, object]:
        """Return the noise as standard deviations in percent; unknown values are None."""
        return {
            "noise_source": self.source,
            "noise_measured": self.learned,
            "pull_sd_pct": _percent(self.pull),
            "pull_df": self.pull_df,
            "session_sd_pct": None if self.session is None else _percent(self.session),
            "session_df": self.session_df,
            "drift_pct_per_pull": None if self.drift is None else _percent(self.drift),
            "refit_sd_pct": _percent(self.refit),
        }

    def variance(self, contrast: Contrast) -> float | None:
        """Return the variance of an effect; None where a layer it collects is not known."""
        parts = self._parts(contrast)
        return None if parts is None else sum(parts.values())

    def df(self, contrast: Contrast, *, own: int) -> float:
        """Return the degrees of freedom of the standard error of an effect.

        The pull variance comes from history and from the study's own contrasts together, and the
        study's scale is drawn toward history's: 1/df = 1/(contrasts) + 1/(likeness + own x worth).
        With no history df is the study's own. Layers add as mean squares do.

        Args:
            contrast: Weights of the pulls.
            own: Pull contrasts that the study itself will have.

        Source: Smyth (2004), SAGMB 3(1):3, for the moderated df; Satterthwaite (1946), Biometrics
        Bulletin 2:110, for sums of mean squares.
        """
        pull_df = float(own)
        if self.pull_df:
            scale = self.likeness_df + own * self.worth
            pull_df = 1.0 / (1.0 / (self.pull_df + own) + 1.0 / scale)
        parts = self._parts(contrast)
        if parts is None or pull_df <= 0:
            return 0.0
        known = {"pull": pull_df, "session": float(self.session_df)}
        uncertain = sum(parts[name] ** 2 / known[name] for name in known if parts[name] > 0)
        return sum(parts.values()) ** 2 / uncertain

    def _parts(self, contrast: Contrast) -> dict[str, float] | None:
        factors = {name: contrast.factor(name) for name in ("pull", "session", "drift", "refit")}
        if factors["session"] > 0 and self.session is None:
            return None
        return {
            "pull": factors["pull"] * self.pull,
            "session": factors["session"] * (self.session or 0.0),
            "drift": factors["drift"] * (self.drift or 0.0),
            "refit": factors["refit"] * self.refit,
        }


def assume_noise() -> CellNoise:
    """Return the stated assumption for a cell without history."""
    return CellNoise(
        source=ASSUMED_SOURCE,
        learned=False,
        pull=ASSUMED_PULL_SD**2,
        pull_df=0,
        likeness_df=float("inf"),
        worth=1.0,
        session=ASSUMED_SESSION_SD**2,
        session_df=0,
        drift=None,
        refit=0.0,
    )


def learn_cell_noise(curves: CurveSet, engine: str | None) -> CellNoise:
    """Learn the noise of a cell from its accepted pulls, or assume it where they are too few.

    Args:
        curves: Accepted pulls on one dyno, on the band planned for; NaN where not covered.
        engine: The engine planned for; where it is shown to be noisier than the others, they are
            left out. None for any.
    """
    typical = curves.take(~find_outlying(curves) & ~find_short(curves))
    if len(typical) == 0:
        return assume_noise()
    layers = split_layers(typical)
    narrowed = _is_noisier(layers, typical, engine)
    if narrowed:
        typical = typical.take(np.array([name == engine for name in typical.engine]))
        layers = split_layers(typical)
    noise = learn_noise(layers, typical.rpm, own=np.zeros(len(typical), dtype=np.bool_))
    contrasts = 0 if noise.pull is None else int(_whole(noise.pull).sum())
    if noise.pull is None or contrasts < LEAST_LEARNED:
        return replace(assume_noise(), pull_df=contrasts)
    pull = _mean_variance(noise, {"pull": 1.0})
    session = None if noise.session is None else _layer_variance(noise, "session", pull)
    drift = None if noise.drift is None else _layer_variance(noise, "drift", pull)
    return CellNoise(
        source=_say_source(typical, narrowed=narrowed),
        learned=True,
        pull=pull,
        pull_df=contrasts,
        likeness_df=1.0 / float(noise.prior_df_weights @ (1.0 / PRIOR_DF_GRID)),
        worth=effective_speeds(wavier(noise.pull.correlation, noise.pull.df)),
        session=session,
        session_df=0 if noise.session is None else noise.session.df,
        drift=drift,
        refit=0.0 if noise.refit is None else _layer_variance(noise, "refit", pull),
    )


def _is_noisier(layers: Layers, curves: CurveSet, engine: str | None) -> bool:
    """Tell whether an engine's pulls are shown to scatter more than those of the others."""
    own_pulls: Flags = np.array([name == engine for name in curves.engine], dtype=np.bool_)
    mine = np.isin(layers.pull.group, layers.sessions[own_pulls])
    own, others = layers.pull.only(mine), layers.pull.only(~mine)
    if len(own) < LEAST_TO_NARROW or len(others) < LEAST_TO_NARROW:
        return False
    return mean_square_evidence(others, own, curves.rpm) < NARROW_BELOW_P


def _whole(layer: LayerNoise) -> Flags:
    """Flag the contrasts that cover most of the band, and so tell of its mean."""
    return np.isfinite(layer.curves).mean(axis=1) >= MOSTLY_COVERED


def _mean_variance(noise: NoiseModel, collected: dict[str, float]) -> float:
    """Return the variance of a mean over the band that collects some layers once each."""
    every: Floats = np.full((1, len(noise.rpm)), 1.0 / len(noise.rpm))
    loadings = {
        name: np.array([collected.get(name, 0.0)]) for name in ("pull", "session", "drift", "refit")
    }
    target = Target(functionals=every, loadings=loadings)
    return float(standard_errors(noise, target).means[0] ** 2)


def _layer_variance(noise: NoiseModel, layer: str, pull: float) -> float:
    return max(_mean_variance(noise, {"pull": 1.0, layer: 1.0}) - pull, 0.0)


def _say_source(curves: CurveSet, *, narrowed: bool) -> str:
    engines = len(set(curves.engine))
    sessions = len(set(zip(curves.engine, curves.session, strict=True)))
    text = (
        f"{len(curves)} accepted pulls, {engines} engine{'s' * (engines > 1)}, "
        f"{sessions} session{'s' * (sessions > 1)}"
    )
    return f"{text}; other engines left out, this one scatters more" if narrowed else text


def _percent(variance: float) -> float:
    return 100.0 * float(np.sqrt(variance))
