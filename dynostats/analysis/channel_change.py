"""How something read in every pull differs between two setups, and how sure that is.

Pulls are the clusters: a quantity is one number a pull (or one a pull and engine speed), and its
scatter is that between pulls of one setup in one session. No noise model over engine speed is
needed, and none is claimed: every interval holds for itself.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Final

import numpy as np
from scipy.special import stdtrit

from dynostats.analysis.contrasts import within_sessions
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.design import CANCELS, Contrast, weigh_pulls
from dynostats.analysis.outliers import find_outlying
from dynostats.arrays import Flags, Floats, Ints

# Fewer differences between pulls than this do not tell how far a reading scatters.
LEAST_DF: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A number with its interval.

    Args:
        value: The number.
        low: Lower bound at 1 - alpha; None where it is not known.
        high: Upper bound.
    """

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exponent:
    """Percent of torque per percent of a cause, as the split has it.

    Args:
        value: The exponent.
        variance: Its variance, all allowances in it.
        df: Degrees of freedom of that.
    """

    value: float
    variance: float
    df: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One quantity in both setups, and how it changed.

    Args:
        name: What it is.
        unit: Its unit; "%" where the change is in percent of the baseline.
        baseline: Mean of the baseline's pulls; None where only the change is meant.
        candidate: Mean of the candidate's pulls, likewise.
        change: Candidate minus baseline, drift of the session taken out where there is any.
        baseline_pulls: Pulls behind it.
        candidate_pulls: Likewise.
        df: Degrees of freedom of the scatter between pulls.
        why: Why there is no interval; "" where there is one.
    """

    name: str
    unit: str
    baseline: Value | None
    candidate: Value | None
    change: Value
    baseline_pulls: int
    candidate_pulls: int
    df: int
    why: str

    def to_dict(self) -> dict[str, object]:
        """Return plain values."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Several quantities of the same pulls: arrays are one a quantity, shape (quantities,).

    Args:
        baseline: Mean of the baseline's pulls.
        candidate: Mean of the candidate's.
        change: Candidate minus baseline.
        variance: Of one pull; NaN where it is not known.
        pull_factor: Variance of the change per variance of a pull.
        baseline_pulls: Pulls of the baseline.
        candidate_pulls: Of the candidate.
        df: Degrees of freedom of the variance.
        why: Why the change has no interval; "" where it has one.
        alpha: One less the level of the intervals.
    """

    baseline: Floats
    candidate: Floats
    change: Floats
    variance: Floats
    pull_factor: float
    baseline_pulls: int
    candidate_pulls: int
    df: int
    why: str
    alpha: float

    def half(self, factor: float) -> Floats:
        """Return half-widths of what has so many times the variance of a pull."""
        if self.df < LEAST_DF:
            return np.full(len(self.change), np.nan)
        return float(stdtrit(self.df, 1.0 - self.alpha / 2.0)) * np.sqrt(factor * self.variance)

    @property
    def change_half(self) -> Floats:
        """Return the half-widths of the changes; NaN where they are not known."""
        return np.full(len(self.change), np.nan) if self.why else self.half(self.pull_factor)

    def valued(self, name: str, exponent: Exponent, *, with_sides: bool = False) -> Measured:
        """Return the first quantity, a log ratio that holds an exponent times the second, in %.

        Its variance is that of the pulls and what the exponent's own error makes of the second;
        Student's t with Satterthwaite's degrees of freedom of the sum.

        Args:
            name: What it is.
            exponent: The exponent that is in the first quantity.
            with_sides: Whether each setup's own value means something, too.
        """
        half = np.nan if self.why else self._half_with(exponent, self.change, self.pull_factor)
        change = percent_of(float(self.change[0]), half)
        if not with_sides:
            return self.measured(change, name=name, unit="%")
        sides = tuple(
            percent_of(float(mean[0]), self._half_with(exponent, mean, 1.0 / pulls))
            for mean, pulls in (
                (self.baseline, self.baseline_pulls),
                (self.candidate, self.candidate_pulls),
            )
        )
        return self.measured(change, name=name, unit="%", sides=(sides[0], sides[1]))

    def _half_with(self, exponent: Exponent, values: Floats, factor: float) -> float:
        if self.df < LEAST_DF:
            return np.nan
        noise = factor * self.variance
        by_pulls = float(noise[0] + exponent.variance * noise[1])
        by_exponent = float(values[1]) ** 2 * exponent.variance
        whole = by_pulls + by_exponent
        doubt = by_pulls**2 / self.df + by_exponent**2 / exponent.df
        df = max(whole**2 / doubt, 1.0) if doubt > 0 else np.inf
        return float(stdtrit(df, 1.0 - self.alpha / 2.0) * np.sqrt(whole))

    def at(self, place: int, *, name: str, unit: str) -> Measured:
        """Return one quantity in its own unit."""
        sides = (
            (self.baseline, 1.0 / self.baseline_pulls),
            (self.candidate, 1.0 / self.candidate_pulls),
        )
        means = [value_of(mean[place], self.half(factor)[place]) for mean, factor in sides]
        return self.measured(
            value_of(self.change[place], self.change_half[place]),
            name=name,
            unit=unit,
            sides=(means[0], means[1]),
        )

    def percent_at(self, place: int, *, name: str) -> Measured:
        """Return one quantity given as its natural log: the change in percent of the baseline."""
        log, half = float(self.change[place]), float(self.change_half[place])
        return self.measured(percent_of(log, half), name=name, unit="%")

    def measured(
        self, change: Value, *, name: str, unit: str, sides: tuple[Value, Value] | None = None
    ) -> Measured:
        """Return a change with the pulls behind it."""
        return Measured(
            name=name,
            unit=unit,
            baseline=None if sides is None else sides[0],
            candidate=None if sides is None else sides[1],
            change=change,
            baseline_pulls=self.baseline_pulls,
            candidate_pulls=self.candidate_pulls,
            df=self.df,
            why=self.why,
        )


def value_of(value: float, half: float) -> Value:
    """Return a number with an interval about it; unknown bounds where the half-width is NaN."""
    value, half = float(value), float(half)
    if not np.isfinite(half):
        return Value(value=value, low=None, high=None)
    return Value(value=value, low=value - half, high=value + half)


def percent_of(log: float, half: float) -> Value:
    """Return a log ratio and its half-width in percent."""
    value = value_of(log, half)
    return Value(
        value=_percent(value.value),
        low=None if value.low is None else _percent(value.low),
        high=None if value.high is None else _percent(value.high),
    )


def _percent(log: float) -> float:
    return 100.0 * float(np.expm1(log))


def find_changes(
    pulls: CurveSet, values: Floats, own: Ints, *, baseline: str, candidate: str, alpha: float
) -> Changes | None:
    """Return how quantities of the pulls differ between two setups.

    The weights of the pulls are those of `compare` where nothing is known of drifts: sessions and,
    where it does not cancel and the run order allows, a straight drift in each are taken out.

    Args:
        pulls: Pulls in scope.
        values: Quantities, shape (pulls, quantities); NaN where not known.
        own: Rows of the study's pulls.
        baseline: Baseline setup.
        candidate: Candidate setup.
        alpha: One less the level of each interval.

    Returns:
        The changes; None where a setup has no pull with all quantities.

    Assumes:
        Sessions move both setups alike, and pulls of all setups of the engine scatter alike.
    """
    known: Flags = np.all(np.isfinite(values), axis=1)
    own = own[known[own]]
    study = pulls.take(own)
    sides = [np.array([s == name for s in study.setup]) for name in (baseline, candidate)]
    if not all(side.any() for side in sides):
        return None
    contrast = weigh_pulls(
        study, baseline=baseline, candidate=candidate, session_ratio=None, drift_ratio=None
    )
    variance, df = _scatter(pulls, values, own, np.flatnonzero(known))
    mine = values[own]
    return Changes(
        baseline=mine[sides[0]].mean(axis=0),
        candidate=mine[sides[1]].mean(axis=0),
        change=contrast.weights @ mine,
        variance=variance,
        pull_factor=contrast.factor("pull"),
        baseline_pulls=int(sides[0].sum()),
        candidate_pulls=int(sides[1].sum()),
        df=df,
        why=_lacking(contrast, df),
        alpha=alpha,
    )


def _scatter(pulls: CurveSet, values: Floats, own: Ints, known: Ints) -> tuple[Floats, int]:
    """Return the variance of a pull and its degrees of freedom, from the engine's own pulls."""
    home = pulls.engine[int(own[0])]
    rows = np.array([row for row in known if pulls.engine[row] == home], dtype=np.intp)
    odd = find_outlying(replace(pulls.take(rows), log_torque=values[rows]))
    rows = rows[~odd | np.isin(rows, own)]
    kept = pulls.take(rows)
    contrasts = within_sessions(values[rows], kept.session, kept.setup, kept.order).pull
    if not len(contrasts):
        return np.full(values.shape[1], np.nan), 0
    return np.mean(contrasts**2, axis=0), len(contrasts)


def _lacking(contrast: Contrast, df: int) -> str:
    if contrast.kind == "different_sessions":
        return "the setups never shared a session, and what differed between days is not known"
    if not contrast.drift_fitted and np.abs(contrast.loadings["drift"]).max() > CANCELS:
        return "the run order does not tell a change from a drift of the session"
    if df < LEAST_DF:
        return f"too few pulls were repeated to tell how far they scatter ({df} to spare)"
    return ""
