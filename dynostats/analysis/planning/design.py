"""What a run order can see: the comparison's own weights on pulls that are not run yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import Contrast, weigh_pulls
from dynostats.analysis.effect import LEAST_PULL_DF, LEAST_PULL_DF_ALONE, LEAST_SESSION_DF
from dynostats.analysis.layers import split_layers
from dynostats.analysis.planning.cell import CellNoise
from dynostats.analysis.planning.orders import Letter
from dynostats.analysis.planning.power import detectable_ratio, t_power

Orders = Sequence[Sequence[Letter]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """How well a run order measures the mean effect over the band.

    Args:
        standard_error: Of the effect, log units.
        df: Degrees of freedom of that standard error.
        pull_factor: Variance of the effect per unit of pull variance.
        drift_fitted: Whether a drift has to be fitted, which costs precision.
    """

    standard_error: float
    df: float
    pull_factor: float
    drift_fitted: bool

    def power(self, effect_pct: float, *, alpha: float) -> float:
        """Return the chance that an effect is found."""
        ratio = float(np.log1p(effect_pct / 100.0)) / self.standard_error
        return t_power(ratio, df=self.df, alpha=alpha)

    def detectable_pct(self, *, alpha: float, power: float) -> float:
        """Return the smallest effect found with a chance of `power`, percent."""
        ratio = detectable_ratio(df=self.df, alpha=alpha, power=power)
        return 100.0 * float(np.expm1(ratio * self.standard_error))


def measure_precision(orders: Orders, noise: CellNoise) -> Precision | None:
    """Return how well a run order measures; None where a comparison would have no interval.

    Args:
        orders: Setups in run order, "A" the baseline and "B" the candidate, one order a session.
        noise: What the cell adds.
    """
    study = _lay_out(orders)
    contrast = weigh_pulls(
        study,
        baseline="A",
        candidate="B",
        session_ratio=noise.session_ratio,
        drift_ratio=noise.drift_ratio,
    )
    own = _own_contrasts(study, contrast, noise)
    if _lacks(contrast, noise, own):
        return None
    variance = noise.variance(contrast)
    if variance is None:
        return None
    return Precision(
        standard_error=float(np.sqrt(variance)),
        df=noise.df(contrast, own=own),
        pull_factor=contrast.factor("pull"),
        drift_fitted=contrast.drift_fitted,
    )


def _lay_out(orders: Orders) -> CurveSet:
    letters = [letter for order in orders for letter in order]
    places = [float(at + 1) for order in orders for at in range(len(order))]
    sessions = [f"s{number}" for number, order in enumerate(orders) for _ in order]
    return CurveSet(
        rpm=np.zeros(1),
        log_torque=np.zeros((len(letters), 1)),
        pull=[f"p{at}" for at in range(len(letters))],
        engine=["engine"] * len(letters),
        session=sessions,
        setup=list(letters),
        order=np.array(places),
    )


def _own_contrasts(study: CurveSet, contrast: Contrast, noise: CellNoise) -> int:
    """Return how many contrasts of its own a study tells its noise from."""
    layers = split_layers(study)
    slopes = 0 if contrast.drift_fitted else len(layers.slope)
    refits = 0 if noise.refit > 0 else len(layers.refit)
    return len(layers.pull) + slopes + refits


def _lacks(contrast: Contrast, noise: CellNoise, own: int) -> bool:
    """Tell whether a comparison of such pulls would refuse an interval (see `effect`)."""
    if own + noise.pull_df < LEAST_PULL_DF:
        return True
    if own == 0 and noise.pull_df < LEAST_PULL_DF_ALONE:
        return True
    return contrast.kind == "different_sessions" and noise.session_df < LEAST_SESSION_DF
