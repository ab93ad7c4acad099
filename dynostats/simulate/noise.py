"""Curve noise: what pulls, sessions and run order add to log torque over engine speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from dynostats.arrays import Floats

NoiseShape = Literal["smooth", "rough", "rpm_dependent", "heavy_tailed", "drifting"]

_DRIFTING_SD_PCT = 0.15
_HEAVY_TAIL_DF = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveNoise:
    """Layers of noise on log torque over speed, in percent.

    Args:
        pull_sd_pct: SD of one pull's curve about its session's, root mean square over speed.
        session_sd_pct: SD of one session's curve about the engine's.
        drift_pct_per_pull: Mean change a pull of run order, the same at every speed.
        drift_sd_pct_per_pull: SD between sessions of that change.
        correlation_rpm: Length over which a curve forgets itself.
        common_share: Share of the variance that shifts the whole curve.
        correlation: "smooth" exp(-d^2 / 2 l^2) or "rough" exp(-d / l).
        top_over_bottom: SD at the top of the band over SD at its bottom (linear between).
        tail_df: Degrees of freedom of Student-t tails of whole pull curves; None is normal. The SD
            stays as stated.
    """

    pull_sd_pct: float = 0.4
    session_sd_pct: float = 0.5
    drift_pct_per_pull: float = -0.1
    drift_sd_pct_per_pull: float = 0.0
    correlation_rpm: float = 500.0
    common_share: float = 0.4
    correlation: Literal["smooth", "rough"] = "smooth"
    top_over_bottom: float = 1.0
    tail_df: float | None = None


def shape_noise(
    shape: NoiseShape,
    *,
    pull_sd_pct: float = 0.4,
    session_sd_pct: float = 0.5,
    drift_pct_per_pull: float = 0.0,
) -> CurveNoise:
    """Return noise of one of the shapes that analyses are calibrated against.

    Args:
        shape: "smooth" over speed; "rough" (exponential correlation over 150 rpm, little of it
            common); "rpm_dependent" (SD four times as large at the top as at the bottom);
            "heavy_tailed" (whole pulls with t tails, 5 df); "drifting" (each session has its own
            drift, SD 0.15% a pull).
        pull_sd_pct: SD between pulls.
        session_sd_pct: SD between sessions.
        drift_pct_per_pull: Mean drift.
    """
    rough = shape == "rough"
    return CurveNoise(
        pull_sd_pct=pull_sd_pct,
        session_sd_pct=session_sd_pct,
        drift_pct_per_pull=drift_pct_per_pull,
        drift_sd_pct_per_pull=_DRIFTING_SD_PCT if shape == "drifting" else 0.0,
        correlation="rough" if rough else "smooth",
        correlation_rpm=150.0 if rough else 500.0,
        common_share=0.1 if rough else 0.4,
        top_over_bottom=4.0 if shape == "rpm_dependent" else 1.0,
        tail_df=_HEAVY_TAIL_DF if shape == "heavy_tailed" else None,
    )


def speed_profile(noise: CurveNoise, rpm: Floats) -> Floats:
    """Return the SD over speed relative to its root mean square, shape (n,)."""
    share = (rpm - rpm[0]) / (rpm[-1] - rpm[0]) if len(rpm) > 1 else np.zeros(1)
    profile = 1.0 + (noise.top_over_bottom - 1.0) * share
    return profile / np.sqrt(np.mean(profile**2))


def mixing_matrix(noise: CurveNoise, rpm: Floats) -> Floats:
    """Return M such that independent normals z of shape (k,) give a unit-SD curve z @ M.

    No decomposition is used: the same seed gives the same curve on every machine.

    Returns:
        Shape (k, n): one row for the common shift, the others for the curve's own shape.
    """
    own = _smooth_mixing(noise, rpm) if noise.correlation == "smooth" else _rough_mixing(noise, rpm)
    common = np.full((1, len(rpm)), np.sqrt(noise.common_share))
    return np.vstack([common, np.sqrt(1.0 - noise.common_share) * own])


def _smooth_mixing(noise: CurveNoise, rpm: Floats) -> Floats:
    """Moving average of white noise; a kernel of SD l / sqrt(2) gives correlation length l."""
    length = noise.correlation_rpm
    latent = np.arange(rpm[0] - 3.0 * length, rpm[-1] + 3.0 * length + 1.0, length / 3.0)
    kernel = np.exp(-(((latent[:, None] - rpm[None, :]) / length) ** 2))
    return kernel / np.sqrt(np.sum(kernel**2, axis=0))


def _rough_mixing(noise: CurveNoise, rpm: Floats) -> Floats:
    """First-order autoregression: each speed keeps exp(-d / l) of the one before."""
    keep = np.exp(-np.diff(rpm) / noise.correlation_rpm)
    mixing = np.zeros((len(rpm), len(rpm)))
    mixing[0, 0] = 1.0
    for i, share in enumerate(keep, start=1):
        mixing[:, i] = share * mixing[:, i - 1]
        mixing[i, i] = np.sqrt(1.0 - share**2)
    return mixing


def draw_pull_curves(
    noise: CurveNoise, rpm: Floats, shape: tuple[int, ...], rng: np.random.Generator
) -> Floats:
    """Draw pull errors of log torque, shape (*shape, n)."""
    curves = _draw_unit_curves(noise, rpm, shape, rng) * (noise.pull_sd_pct / 100.0)
    if noise.tail_df is None:
        return curves
    chi_square = rng.chisquare(noise.tail_df, shape)
    return curves * np.sqrt((noise.tail_df - 2.0) / chi_square)[..., None]


def draw_session_curves(
    noise: CurveNoise, rpm: Floats, shape: tuple[int, ...], rng: np.random.Generator
) -> Floats:
    """Draw session errors of log torque, shape (*shape, n)."""
    return _draw_unit_curves(noise, rpm, shape, rng) * (noise.session_sd_pct / 100.0)


def draw_drifts(noise: CurveNoise, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Draw each session's drift of log torque a pull, shape `shape`."""
    spread = noise.drift_sd_pct_per_pull * rng.standard_normal(shape)
    return (noise.drift_pct_per_pull + spread) / 100.0


def _draw_unit_curves(
    noise: CurveNoise, rpm: Floats, shape: tuple[int, ...], rng: np.random.Generator
) -> Floats:
    mixing = mixing_matrix(noise, rpm) * speed_profile(noise, rpm)
    return rng.standard_normal((*shape, len(mixing))) @ mixing
