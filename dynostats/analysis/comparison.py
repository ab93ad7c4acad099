"""What a comparison of two setups found: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

from dynostats.analysis.planning.declaration import Declared

Verdict = Literal["gain", "loss", "no_meaningful_change", "mixed", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """Mean of the effect over the band of engine speed.

    Args:
        effect_pct: Candidate minus baseline, percent of the baseline.
        low_pct: Lower bound; the band mean and the whole curve hold together at 1 - alpha.
        high_pct: Upper bound, likewise.
        effect_kw: The same effect in kW, mean over the band.
        low_kw: Lower bound in kW.
        high_kw: Upper bound in kW.
        probability_gain_over_margin: Probability that the mean gain exceeds the practical margin
            (flat prior on the effect); None when the noise is unknown.
    """

    effect_pct: float
    low_pct: float | None
    high_pct: float | None
    effect_kw: float
    low_kw: float | None
    high_kw: float | None
    probability_gain_over_margin: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A contiguous run of engine speed with one verdict.

    Args:
        from_rpm: First grid speed of the region.
        to_rpm: Last grid speed of the region.
        verdict: What holds at every speed of the region.
        effect_pct: Mean effect over the region, percent of the baseline.
        low_pct: Mean of the simultaneous lower bounds over the region, which bounds the mean; for
            a whole band without meaningful change, of the pointwise bounds of level 1 - 2 alpha.
        high_pct: The same of the upper bounds.
    """

    from_rpm: float
    to_rpm: float
    verdict: Verdict
    effect_pct: float
    low_pct: float | None
    high_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PullCounts:
    """How many pulls stand behind the answer."""

    baseline: int
    candidate: int
    excluded: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseUsed:
    """The noise the answer was judged against.

    Args:
        source: In words: whose pulls the noise was learned from.
        pull_df: Degrees of freedom behind the pull-to-pull SD (repeatability).
        session_df: Degrees of freedom behind the session-to-session SD; None if never seen.
        pull_sd_pct: Band-mean pull-to-pull SD of one pull, percent.
        session_sd_pct: Band-mean session-to-session SD, percent; None if never seen.
        drift_bound_pct: Drift per pull of run order that past sessions do not exclude: one-sided
            90% bound of its SD, percent; None if they are too few to tell.
        drift_sessions: Sessions from which a drift could have been learned.
        correlation_rpm: Engine speed over which the noise of a pull stays alike: the lag at which
            its correlation falls to 1/e, at least; None if not known.
        history_pulls: Pulls outside this study that the noise was learned from.
        history_weight: Share of the variance estimate that rests on history, 0 to 1.
    """

    source: str
    pull_df: float
    session_df: float | None
    pull_sd_pct: float | None
    session_sd_pct: float | None
    drift_bound_pct: float | None
    drift_sessions: int
    correlation_rpm: float | None
    history_pulls: int
    history_weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Highest value of a setup's mean curve inside the band, and where it stands.

    A maximum of a noisy curve is biased upward; the value is corrected for that.

    Args:
        setup: Name of the setup.
        quantity: "power" in kW or "torque" in N.m.
        value: Peak of the mean curve less its bias.
        low: Lower bound at 1 - alpha, pull-to-pull noise only.
        high: Upper bound.
        rpm: Engine speed of the peak of the mean curve.
        rpm_low: Lower bound of where the peak stands.
        rpm_high: Upper bound.
        at_edge: True when the peak stands at an end of the band: the curve may go on rising.
    """

    setup: str
    quantity: str
    value: float
    low: float
    high: float
    rpm: float
    rpm_low: float
    rpm_high: float
    at_edge: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What the answer would be without one pull.

    Args:
        pull: The pull left out.
        verdict: Verdict without it.
        effect_pct: Band mean without it.
        low_pct: Lower bound without it.
        high_pct: Upper bound without it.
        changes: True when the verdict is another one.
    """

    pull: str
    verdict: Verdict
    effect_pct: float
    low_pct: float
    high_pct: float
    changes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionOutcome:
    """What the answer would be under one ambient correction, "none" among them.

    Args:
        name: Name of the standard, "none" for none.
        verdict: Verdict under it; None where it cannot be applied.
        effect_pct: Band mean under it; likewise None.
        low_pct: Lower bound; None also where the noise is unknown.
        high_pct: Upper bound, likewise.
        baseline_factor: Lowest and highest factor of the baseline's pulls; None where not known.
        candidate_factor: The same of the candidate's.
        differs: True when the verdict is not that of the comparison.
        note: Why it cannot be applied, or what must be said of it; "" when nothing.
    """

    name: str
    verdict: Verdict | None
    effect_pct: float | None
    low_pct: float | None
    high_pct: float | None
    baseline_factor: tuple[float, float] | None
    candidate_factor: tuple[float, float] | None
    differs: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignCheck:
    """A check that assumes no noise model: relabelling the pulls within their sessions.

    Args:
        p_value: Two-sided p value of the largest |t| over the band.
        smallest_p: The smallest p that so few pulls can reach.
        relabelings: How many relabelings were looked at, the observed one included.
        exact: True when that is all of them.
        agrees: Whether it supports the verdict; None when so few pulls cannot tell.
        text: The same in words.
    """

    p_value: float
    smallest_p: float
    relabelings: int
    exact: bool
    agrees: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Did the change help, where, by how much, how sure.

    The sign of every effect is candidate minus baseline.

    Args:
        engine: Engine both setups were pulled on.
        baseline: Name of the baseline setup.
        candidate: Name of the candidate setup.
        quantity: "power" or "torque"; in percent both are the same at a given speed.
        correction: Name of the ambient correction applied, "none" if none.
        margin_pct: Smallest change that matters, percent.
        alpha: Chance of any false claim that is accepted.
        band: First and last engine speed compared, rpm.
        verdict: The answer.
        why: The reason in one or two sentences.
        overall: Mean over the band.
        regions: Contiguous runs with one verdict each, in order of speed, covering the band.
        curve: One row a grid speed: rpm, baseline_kw, candidate_kw, baseline_nm, candidate_nm,
            effect_pct, low_pct, high_pct (simultaneous), low_pointwise_pct, high_pointwise_pct.
        pulls: Counts.
        pull_table: One row a pull of the study in run order: pull, file, dyno, session, setup,
            role (baseline / candidate / other), order, started, state, why, mean_kw, mean_nm
            (band means, null when excluded), rpm_low, rpm_high.
        pull_curves: One row a pull and grid speed: pull, role, rpm, power_kw, torque_nm,
            residual_pct (pull less what its setup, session and the drift say, percent).
        peaks: Peak power and torque of both setups; empty when the noise is unknown.
        influence: What each compared pull does to the answer; empty when the noise is unknown or a
            setup has a single pull.
        design_check: The check by relabelling; None where the pulls do not allow one.
        noise: What the difference was judged against.
        corrections: What the answer would be under each ambient correction; empty where the air
            was not read, or was not asked about.
        warnings: Sentences the reader must see.
        next: What would decide or sharpen the answer.
        method: Settings, formulas in words and references, by name.
        declared: The question that was declared before the pulls, with every departure from it;
            None where none was.
    """

    engine: str
    baseline: str
    candidate: str
    quantity: str
    correction: str
    margin_pct: float
    alpha: float
    band: tuple[float, float]
    verdict: Verdict
    why: str
    overall: Overall
    regions: tuple[Region, ...]
    curve: pl.DataFrame
    pulls: PullCounts
    pull_table: pl.DataFrame
    pull_curves: pl.DataFrame
    peaks: tuple[Peak, ...]
    influence: tuple[Influence, ...]
    design_check: DesignCheck | None
    noise: NoiseUsed
    warnings: tuple[str, ...]
    next: str
    method: dict[str, object]
    corrections: tuple[CorrectionOutcome, ...] = ()
    declared: Declared | None = None

    def to_dict(self) -> dict[str, object]:
        """Return the finding under the names of the JSON contract; unknown values are None."""
        return {
            "verdict": self.verdict,
            "why": self.why,
            "question": {
                "engine": self.engine,
                "baseline": self.baseline,
                "candidate": self.candidate,
                "quantity": self.quantity,
                "correction": self.correction,
                "margin_pct": self.margin_pct,
                "alpha": self.alpha,
                "band_rpm": list(self.band),
            },
            "overall": asdict(self.overall),
            "regions": [asdict(region) for region in self.regions],
            "curve": self.curve.to_dicts(),
            "pulls": asdict(self.pulls),
            "peaks": [asdict(peak) for peak in self.peaks],
            "influence": [asdict(one) for one in self.influence],
            "design_check": None if self.design_check is None else asdict(self.design_check),
            "noise": asdict(self.noise),
            "corrections": [asdict(one) for one in self.corrections],
            "warnings": list(self.warnings),
            "next": self.next,
            "method": self.method,
            "declared": None if self.declared is None else self.declared.to_dict(),
        }
