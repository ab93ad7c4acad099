"""The noise of the cell by engine speed: how far pulls repeat, and how far days differ."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
import polars as pl
from scipy.stats import chi2
from scipy.stats import t as student_t

from dynostats.analysis.cell_sums import CellSums, between_sessions, sum_cells
from dynostats.analysis.copies import find_copies, say_copies, without
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.groups import number
from dynostats.analysis.moderation import fit_prior, moderate
from dynostats.analysis.noise import (
    LEAST_VARIANCE,
    LayerNoise,
    component,
    evidence_of_sums,
    layer_noise,
    pool_unless_apart,
    worth_of_sums,
)
from dynostats.analysis.outliers import find_outlying, find_short
from dynostats.analysis.over_speed import SpeedSums
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

LEVEL = 0.95
SESSION_COLUMNS = (
    "session_sd_pct",
    "session_sd_low_pct",
    "session_sd_high_pct",
    "reproducibility_limit_pct",
)
# Fewer degrees of freedom than this on either side show no difference of noise.
LEAST_TO_TELL = 4
# From fewer engines it cannot be told how far engines differ.
LEAST_TO_MODERATE = 3
GROUP_COLUMNS = {
    "engine": pl.String,
    "pulls": pl.Int64,
    "pull_sd_pct": pl.Float64,
    "pull_df": pl.Int64,
    "p_value": pl.Float64,
}


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
            (95% interval), session_sd_pct with session_sd_low_pct and session_sd_high_pct
            (approximate 95% interval), repeatability_limit_pct, reproducibility_limit_pct
            (95% limits for the difference of two single pulls in one session and in two), pull_df.
        pull_df: Degrees of freedom of the pull-to-pull SD.
        session_df: Degrees of freedom of the session-to-session SD; None if never seen.
        overall: Root mean squares.
        pulls: Accepted pulls in scope.
        engines: Engines in scope.
        groups: One row an engine (on a dyno, where there are several): engine, pulls, pull_sd_pct,
            pull_df, and p_value of being like the rest (F test of the mean squares, two-sided;
            null with fewer than four degrees of freedom on either side), and moderated_sd_pct:
            the SD drawn toward the other engines' as far as its few repeats call for (null where
            fewer than three engines were repeated).
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
    groups: pl.DataFrame
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
            "groups": self.groups.to_dicts(),
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
    copies = find_copies(curves)
    curves = without(curves, copies)
    outlying = find_outlying(curves)
    names = [name for name, odd in zip(curves.pull, outlying, strict=True) if odd]
    leave_out = outlying | find_short(curves)
    cells = sum_cells(curves.take(~leave_out) if leave_out.any() else curves)
    said = say_copies(copies)
    found = conclude_repeatability(
        cells,
        pulls=len(curves),
        sessions=int(number(curves.engine, curves.session).max(initial=-1)) + 1,
        mend=f"Pull any setup at least twice in a session. {said}".strip(),
    )
    warnings = (*filter(None, [said]), *found.warnings, *_warn_outlying(names))
    return replace(found, warnings=warnings)


def conclude_repeatability(
    cells: CellSums, *, pulls: int, sessions: int, mend: str
) -> Repeatability:
    """Conclude repeatability and reproducibility from sums, of one computer or merged.

    Args:
        cells: Sums over the pulls that the noise is learned from.
        pulls: Accepted pulls in scope.
        sessions: Sessions in scope.
        mend: What to do where no setup was pulled twice in one session.

    Raises:
        AnalysisError: No setup was pulled twice in one session.
    """
    rpm = cells.rpm
    between = between_sessions(cells)
    own = sum(cells.within[1:], start=cells.within[0])
    pull = pool_unless_apart(own, cells.slope, between.refit, rpm)
    if not len(pull):
        raise AnalysisError(
            "no setup in scope was pulled twice in one session, so it cannot be told how far "
            "pulls repeat",
            mend=mend,
        )
    pull_df: Floats = np.diagonal(pull.counts).copy()
    seen = pull_df > 0
    variance = np.maximum(pull.pooled(rpm), LEAST_VARIANCE)
    layer = layer_noise(between.session, rpm)
    session = None if layer is None else component(layer, variance)
    groups = _with_moderated(_by_engine(cells, own), worth_of_sums(pull, rpm))
    columns = _pull_columns(rpm, variance, pull_df)
    if layer is None or session is None:
        columns |= {name: np.full(len(rpm), np.nan) for name in SESSION_COLUMNS}
    else:
        columns |= _session_columns(layer, session, variance, pull_df)
    table = pl.DataFrame(columns).fill_nan(None).filter(pl.Series(seen))
    return Repeatability(
        curve=table,
        pull_df=float(len(pull)),
        session_df=None if layer is None else float(layer.df),
        overall=OverallNoise(
            pull_sd_pct=_rms(variance[seen]),
            session_sd_pct=_rms_of(table["session_sd_pct"]),
        ),
        pulls=pulls,
        engines=len(cells.engines),
        sessions=sessions,
        groups=groups,
        warnings=(*_warn_unlike(groups), *_warnings(len(pull), layer, session)),
    )


def limit_factor(df: Floats) -> Floats:
    """Return t(0.975, df) x sqrt 2: the factor from an SD to the limit of a difference."""
    return student_t.ppf((1.0 + LEVEL) / 2.0, df) * np.sqrt(2.0)


def sd_range(df: int) -> tuple[float, float]:
    """Return by which factors a standard deviation may lie off its estimate, 95% interval."""
    tail = (1.0 - LEVEL) / 2.0
    low, high = np.sqrt(df / chi2.ppf([1.0 - tail, tail], df)).tolist()
    return low, high


def _rms_of(sd_pct: pl.Series) -> float | None:
    known = sd_pct.drop_nulls().to_numpy()
    return float(np.sqrt((known**2).mean())) if known.size else None


def _rms(variance: Floats) -> float:
    return 100.0 * float(np.sqrt(variance.mean()))


def _pull_columns(rpm: Floats, variance: Floats, df: Floats) -> dict[str, Floats]:
    sd = 100.0 * np.sqrt(variance)
    tail = (1.0 - LEVEL) / 2.0
    return {
        "rpm": rpm,
        "pull_sd_pct": sd,
        "pull_sd_low_pct": sd * np.sqrt(df / chi2.ppf(1.0 - tail, df)),
        "pull_sd_high_pct": sd * np.sqrt(df / chi2.ppf(tail, df)),
        "repeatability_limit_pct": limit_factor(df) * sd,
        "pull_df": df,
    }


def _session_columns(
    layer: LayerNoise, variance: Floats, pull_variance: Floats, pull_df: Floats
) -> dict[str, Floats]:
    """Columns of the session layer; NaN at speeds that no two sessions cover.

    Source: Satterthwaite (1946) for the degrees of freedom of a sum of mean squares with known
    shares; Williams (1962), Biometrika 49:278, for the interval, the pull variance taken at its
    estimate.
    """
    covered: Floats = np.isfinite(layer.curves).sum(axis=0).astype(np.float64)
    df = np.where(covered > 0, covered, np.nan)
    total = pull_variance + variance
    share = 1.0 / layer.coefficient
    parts = ((1.0 - share) * pull_variance, variance + share * pull_variance)
    with np.errstate(divide="ignore", invalid="ignore"):  # speeds that no pull contrast covers
        mixed_df = total**2 / (parts[0] ** 2 / pull_df + parts[1] ** 2 / df)
    square = variance * layer.coefficient + pull_variance
    tail = (1.0 - LEVEL) / 2.0

    def bound(level: float) -> Floats:
        edge = square * df / chi2.ppf(level, df)
        return 100.0 * np.sqrt(np.clip((edge - pull_variance) / layer.coefficient, 0.0, None))

    limit = limit_factor(mixed_df) * 100.0 * np.sqrt(total)
    least = limit_factor(pull_df) * 100.0 * np.sqrt(pull_variance)
    return {
        "session_sd_pct": 100.0 * np.sqrt(variance) + 0.0 * df,
        "session_sd_low_pct": bound(1.0 - tail),
        "session_sd_high_pct": bound(tail),
        # Two sessions differ by no less than two pulls of one do, whichever is known better.
        "reproducibility_limit_pct": np.maximum(limit, least),
    }


def _by_engine(cells: CellSums, together: SpeedSums) -> pl.DataFrame:
    rpm = cells.rpm
    worth = worth_of_sums(together, rpm) if len(together) else 1.0
    rows: list[dict[str, object]] = []
    for name, own, pulls in zip(cells.engines, cells.within, cells.pulls.tolist(), strict=True):
        p_value = None
        if len(own) >= LEAST_TO_TELL and len(together) - len(own) >= LEAST_TO_TELL:
            larger = evidence_of_sums(together - own, own, rpm, worth=worth)
            p_value = 2.0 * min(larger, 1.0 - larger)
        rows.append(
            {
                "engine": name,
                "pulls": pulls,
                "pull_sd_pct": _rms(own.pooled(rpm)) if len(own) else None,
                "pull_df": len(own),
                "p_value": p_value,
            }
        )
    return pl.DataFrame(rows, schema=GROUP_COLUMNS)


def _with_moderated(groups: pl.DataFrame, worth: float) -> pl.DataFrame:
    """Add each engine's SD as moderated by the others (Smyth 2004).

    Args:
        groups: One row an engine.
        worth: Independent speeds a curve is worth, by which repeats count as degrees of freedom.
    """
    repeated = groups.filter(pl.col("pull_sd_pct") > 0)
    if repeated.height < LEAST_TO_MODERATE:
        return groups.with_columns(moderated_sd_pct=pl.lit(None, dtype=pl.Float64))
    variance = repeated["pull_sd_pct"].to_numpy() ** 2
    df = worth * repeated["pull_df"].to_numpy()
    moderated = np.sqrt(moderate(variance, df, fit_prior(variance, df)))
    return groups.join(
        repeated.select("engine", moderated_sd_pct=pl.Series(moderated)),
        on="engine",
        how="left",
        maintain_order="left",
    )


def _warn_unlike(groups: pl.DataFrame) -> tuple[str, ...]:
    """Say which engines do not repeat like the rest, at 1% over all engines (Bonferroni)."""
    unlike = groups.filter(pl.col("p_value") < 0.01 / max(groups.height, 1))
    if unlike.is_empty():
        return ()
    told = ", ".join(
        f"{row['engine']} ({row['pull_sd_pct']:.2f}%)" for row in unlike.iter_rows(named=True)
    )
    return (
        (
            f"Not all repeat alike: {told}. The pooled figures fit none of them; ask for one with "
            "--engine or --dyno."
        ),
    )


def _warn_outlying(names: list[str]) -> tuple[str, ...]:
    if not names:
        return ()
    return (
        (
            "Left out, being far from the other pulls of their setup: "
            f"{', '.join(names)}. Look at their labels and logs."
        ),
    )


def _warnings(
    pull_df: int, session: LayerNoise | None, session_variance: Floats | None
) -> tuple[str, ...]:
    found: list[str] = []
    if pull_df < 8:
        low, high = sd_range(pull_df)
        found.append(
            f"Only {pull_df} degrees of freedom stand behind the pull-to-pull SD: at one engine "
            f"speed it may be {low:.1f} to {high:.1f} times what is shown. Every repeated pull "
            "sharpens it."
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
