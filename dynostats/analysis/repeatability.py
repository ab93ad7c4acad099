"""The noise of the cell by engine speed: how far pulls repeat, and how far days differ."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import polars as pl
from scipy.stats import chi2
from scipy.stats import t as student_t

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import LayerNoise, component, learn_noise
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class OverallNoise:
    """Root mean square over the engine speeds seen, percent.

    Args:
        pull_sd_pct: Pull-to-pull standard deviation.
        session_sd_pct: Session-to-session standard deviation; None if never seen.
    """

    pull_sd_pct: float
    session_sd_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeatability:
    """The noise of a scope.

    Args:
        curve: One row a grid speed: rpm, pull_sd_pct with pull_sd_low_pct and pull_sd_high_pct
            (95% interval), session_sd_pct, repeatability_limit_pct, reproducibility_limit_pct
            (95% limits for the difference of two single pulls in one session and in two), pull_df.
        pull_df: Degrees of freedom of the pull-to-pull SD.
        session_df: Degrees of freedom of the session-to-session SD; None if never seen.
        overall: Root mean squares.
        pulls: Accepted pulls in scope.
        engines: Engines in scope.
        sessions: Sessions in scope.
        warnings: Sentences the reader must see.
    """

    curve: pl.DataFrame
    pull_df: float
    session_df: float | None
    overall: OverallNoise
    pulls: int
    engines: int
    sessions: int
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Return the result under the names of the JSON contract."""
        return {
            "curve": self.curve.to_dicts(),
            "pull_df": self.pull_df,
            "session_df": self.session_df,
            "overall": asdict(self.overall),
            "pulls": self.pulls,
            "engines": self.engines,
            "sessions": self.sessions,
            "warnings": list(self.warnings),
        }


def measure_repeatability(curves: CurveSet) -> Repeatability:
    """Estimate repeatability and reproducibility by engine speed.

    Args:
        curves: All accepted pulls in scope.

    Returns:
        The noise. Limits use Student's t with the degrees of freedom at hand instead of the
        textbook 2.8, which takes the SD as known. Source: ISO 5725-6:1994, 4.1, for the limits.

    Raises:
        AnalysisError: No setup was pulled twice in one session.
    """
    layers = split_layers(curves)
    noise = learn_noise(layers, curves.rpm, own=np.zeros(len(curves), dtype=np.bool_))
    if noise.pull is None:
        raise AnalysisError(
            "no setup in scope was pulled twice in one session, so it cannot be told how far "
            "pulls repeat",
            mend="Pull any setup at least twice in a session.",
        )
    pull_df: Floats = np.isfinite(noise.pull.curves).sum(axis=0).astype(np.float64)
    seen = pull_df > 0
    session = _session_variance(noise.session, noise.pull.variance)
    warnings = _warnings(noise.pull, noise.session, session)
    table = _table(
        curves.rpm[seen],
        noise.pull.variance[seen],
        pull_df[seen],
        noise.session,
        None if session is None else session[seen],
    )
    return Repeatability(
        curve=table,
        pull_df=float(noise.pull.df),
        session_df=None if noise.session is None else float(noise.session.df),
        overall=OverallNoise(
            pull_sd_pct=_rms(noise.pull.variance[seen]),
            session_sd_pct=None if session is None else _rms(session[seen]),
        ),
        pulls=len(curves),
        engines=len(set(curves.engine)),
        sessions=len(set(zip(curves.engine, curves.session, strict=True))),
        warnings=warnings,
    )


def limit_factor(df: Floats) -> Floats:
    """Return t(0.975, df) x sqrt 2: the factor from an SD to the limit of a difference."""
    return student_t.ppf((1.0 + LEVEL) / 2.0, df) * np.sqrt(2.0)


def _session_variance(layer: LayerNoise | None, pull_variance: Floats) -> Floats | None:
    return None if layer is None else component(layer, pull_variance)


def _rms(variance: Floats) -> float:
    return 100.0 * float(np.sqrt(variance.mean()))


def _table(
    rpm: Floats,
    variance: Floats,
    df: Floats,
    session: LayerNoise | None,
    session_variance: Floats | None,
) -> pl.DataFrame:
    sd = 100.0 * np.sqrt(variance)
    tail = (1.0 - LEVEL) / 2.0
    columns: dict[str, Floats | list[None]] = {
        "rpm": rpm,
        "pull_sd_pct": sd,
        "pull_sd_low_pct": sd * np.sqrt(df / chi2.ppf(1.0 - tail, df)),
        "pull_sd_high_pct": sd * np.sqrt(df / chi2.ppf(tail, df)),
        "repeatability_limit_pct": limit_factor(df) * sd,
        "pull_df": df,
    }
    unknown: list[None] = [None] * len(rpm)
    if session is None or session_variance is None:
        columns |= {"session_sd_pct": unknown, "reproducibility_limit_pct": unknown}
    else:
        total = variance + session_variance
        # Satterthwaite (1946): the total is a sum of two mean squares with known shares.
        share = 1.0 / session.coefficient
        parts = np.array([(1.0 - share) * variance, session_variance + share * variance])
        mixed_df = total**2 / (parts[0] ** 2 / df + parts[1] ** 2 / session.df)
        columns |= {
            "session_sd_pct": 100.0 * np.sqrt(session_variance),
            "reproducibility_limit_pct": limit_factor(mixed_df) * 100.0 * np.sqrt(total),
        }
    return pl.DataFrame(
        columns,
        schema_overrides={"session_sd_pct": pl.Float64, "reproducibility_limit_pct": pl.Float64},
    )


def _warnings(
    pull: LayerNoise, session: LayerNoise | None, session_variance: Floats | None
) -> tuple[str, ...]:
    found: list[str] = []
    if pull.df < 8:
        found.append(
            f"Only {pull.df} degrees of freedom stand behind the pull-to-pull SD: it may be off by "
            "half. Every repeated pull sharpens it."
        )
    if session is None:
        found.append(
            "No setup was pulled in two sessions, so it is not known how far days differ. Pull a "
            "reference setup in every session."
        )
    elif session_variance is not None and not session_variance.any():
        found.append(
            "Days differ by no more than pulls do: the moment estimate of the session variance is "
            "negative and was set to zero."
        )
    return tuple(found)
