"""A comparison as frames: by engine speed, by pull, and both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.conclude import percent
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import fit_residuals
from dynostats.analysis.effect import Effect
from dynostats.analysis.question import Question
from dynostats.analysis.study import Study
from dynostats.analysis.verdict import Bounds
from dynostats.arrays import Floats
from dynostats.units import power_kw


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tables:
    """The frames of a comparison; their columns stand in `Comparison`."""

    curve: pl.DataFrame
    pulls: pl.DataFrame
    pull_curves: pl.DataFrame


def lay_tables(
    effect: Effect, bounds: Bounds | None, own: CurveSet, study: Study, question: Question
) -> Tables:
    """Lay a comparison out as frames."""
    base_kw = mean_power(own, question.baseline)
    base_nm = np.exp(
        own.log_torque[np.array([name == question.baseline for name in own.setup])].mean(axis=0)
    )
    ratio = np.exp(effect.curve)
    missing = [None] * len(effect.rpm)
    curve = pl.DataFrame(
        {
            "rpm": effect.rpm,
            "baseline_kw": base_kw,
            "candidate_kw": base_kw * ratio,
            "baseline_nm": base_nm,
            "candidate_nm": base_nm * ratio,
            "effect_pct": percent(effect.curve),
            "low_pct": missing if bounds is None else bounds.low,
            "high_pct": missing if bounds is None else bounds.high,
            "low_pointwise_pct": missing if bounds is None else bounds.low_pointwise,
            "high_pointwise_pct": missing if bounds is None else bounds.high_pointwise,
        },
        schema_overrides=dict.fromkeys(
            ("low_pct", "high_pct", "low_pointwise_pct", "high_pointwise_pct"), pl.Float64
        ),
    )
    torque = np.exp(own.log_torque)
    power = power_kw(torque, own.rpm[None, :])
    roles = {question.baseline: "baseline", question.candidate: "candidate"}
    pull_curves = pl.DataFrame(
        {
            "pull": np.repeat(own.pull, len(own.rpm)),
            "role": np.repeat([roles.get(name, "other") for name in own.setup], len(own.rpm)),
            "rpm": np.tile(own.rpm, len(own)),
            "power_kw": power.ravel(),
            "torque_nm": torque.ravel(),
            "residual_pct": percent(fit_residuals(own, drift=effect.contrast.drift_fitted)).ravel(),
        }
    )
    means = pl.DataFrame(
        {"pull": own.pull, "mean_kw": power.mean(axis=1), "mean_nm": torque.mean(axis=1)}
    )
    shown = pl.concat([study.pulls.filter(pl.col("pull").is_in(own.pull)), study.excluded])
    table = (
        shown.with_columns(
            role=pl.col("setup").replace_strict(roles, default="other", return_dtype=pl.String)
        )
        .join(means, on="pull", how="left")
        .sort("started", "session", "order", "pull", nulls_last=True)
    )
    return Tables(curve=curve, pulls=table, pull_curves=pull_curves)


def mean_power(own: CurveSet, setup: str) -> Floats:
    """Return the mean power curve of a setup, shape (speeds,), kW."""
    rows = np.array([name == setup for name in own.setup])
    return power_kw(np.exp(own.log_torque[rows].mean(axis=0)), own.rpm)
