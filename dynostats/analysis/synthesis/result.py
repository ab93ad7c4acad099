"""What all past studies say together: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

KindVerdict = Literal["gain", "loss", "no_meaningful_change", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KindFinding:
    """All studies of one kind of change together.

    Args:
        kind: The kind.
        studies: Studies with an interval.
        engines: Engines they were made on; each counts once.
        verdict: What the mean over engines says; "undecided" also where there is no synthesis.
        effect_pct: Mean effect over engines; None with fewer than three engines.
        low_pct: Its lower bound.
        high_pct: Its upper bound.
        prediction_low_pct: Lower bound of the true effect on the next engine.
        prediction_high_pct: Upper bound.
        between_sd_pct: SD of true effects between engines (REML).
        between_low_pct: Its lower bound (Q profile).
        between_high_pct: Its upper bound; None where no value is excluded.
        heterogeneity_p: Chance of such differences where all engines share one effect.
        i2: Share of the variance that lies between engines, 0 to 1.
        text: The same in a sentence or two.
    """

    kind: str
    studies: int
    engines: int
    verdict: KindVerdict
    effect_pct: float | None
    low_pct: float | None
    high_pct: float | None
    prediction_low_pct: float | None
    prediction_high_pct: float | None
    between_sd_pct: float | None
    between_low_pct: float | None
    between_high_pct: float | None
    heterogeneity_p: float | None
    i2: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorFinding:
    """Whether the effect of a kind of change goes with something that is known of the engine.

    Args:
        kind: The kind of change.
        moderator: What: "displacement_l", "manifold_pressure_kpa" or "boosted".
        engines: Engines of which it is known.
        slope_pct: Change of the effect per unit; None where it was not looked at.
        low_pct: Its lower bound.
        high_pct: Its upper bound.
        p_value: Two-sided, of no slope.
        p_adjusted: Allowing for all moderators looked at (Benjamini-Hochberg).
        text: The same in a sentence, or why it was not looked at.
    """

    kind: str
    moderator: str
    engines: int
    slope_pct: float | None
    low_pct: float | None
    high_pct: float | None
    p_value: float | None
    p_adjusted: float | None
    text: str


ClaimSource = Literal["by_eye", "look", "then", "compare"]
Because = Literal["noise", "paperwork", "pulls", "multiplicity", "sign", "no_interval"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A gain or loss that a study by itself claims, or claimed when it was made.

    Args:
        engine: The engine.
        baseline: Setup before the change.
        candidate: Setup with the change.
        claimed: "gain" or "loss".
        source: "compare" for today's verdict of the study alone, "look" for the last look at its
            declared question, "then" for what `compare` would have said with the pulls and labels
            of the day it was made, "by_eye" for the difference of means of that day, called a claim
            where it reaches the margin, noise not asked for.
        stands: Whether it stands today among all studies.
        text: Why, or why not.
        because: Why not, as codes: "noise" (allowed for, or learned since), "paperwork" (a pull was
            left out or amended since), "pulls" (more were made), "multiplicity" (one of many
            studies), "sign", "no_interval".
    """

    engine: str
    baseline: str
    candidate: str
    claimed: str
    source: ClaimSource
    stands: bool
    text: str
    because: tuple[Because, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """Findings across all past studies.

    Args:
        answer: What they say, in a few sentences.
        studies: One row a study, best first by the shrunken effect: engine, baseline, candidate,
            kind, changed, started, effect_pct, low_pct, high_pct (by itself), p_value, p_adjusted,
            found (stands among all), verdict (of `compare`), shrunken_pct, shrunken_low_pct,
            shrunken_high_pct, chance_of_gain, own_weight, drawn_to, baseline_pulls,
            candidate_pulls, design, from_rpm, to_rpm, lacking; doubts (what speaks against its
            pulls, sentences); made_at, by_eye_pct, then_verdict, then_effect_pct, then_error_pct
            (what could be said when it was made), error_pct (today), since (what is known otherwise
            today).
        kinds: One a kind of change, most studies first.
        claims: Gains and losses claimed by single studies, those that fall first.
        moderators: What effects go with.
        left_out: Studies that could not be judged: engine, baseline, candidate, why.
        alpha: One less the level of the intervals; also the false-discovery rate.
        margin_pct: Smallest change that matters, percent.
        warnings: Sentences the reader must see.
        next: What would sharpen it.
        method: How it was worked out.
    """

    answer: str
    studies: pl.DataFrame
    kinds: tuple[KindFinding, ...]
    claims: tuple[Claim, ...]
    moderators: tuple[ModeratorFinding, ...]
    left_out: pl.DataFrame
    alpha: float
    margin_pct: float
    warnings: tuple[str, ...]
    next: str
    method: dict[str, object]

    @property
    def best(self) -> pl.DataFrame:
        """Return the shop's best changes: gains that stand among all studies, at most ten."""
        gains = pl.col("found") & (pl.col("shrunken_pct").fill_null(pl.col("effect_pct")) > 0.0)
        return self.studies.filter(gains).head(10)

    @property
    def fallen(self) -> tuple[Claim, ...]:
        """Return the claims that would not stand today."""
        return tuple(one for one in self.claims if not one.stands)

    @property
    def moderators_lacking(self) -> str:
        """Return why nothing is said of what effects go with; "" where something is."""
        if self.moderators:
            return ""
        most = max((one.engines for one in self.kinds), default=0)
        return (
            "It cannot be told what effects go with (displacement, boost, induction): that takes "
            f"ten engines with one kind of change, and the most tried kind has {most}."
        )

    @property
    def frame(self) -> pl.DataFrame:
        """Return the table of studies."""
        return self.studies

    def to_dict(self) -> dict[str, object]:
        """Return the result as plain values."""
        return {
            "answer": self.answer,
            "studies": self.studies.to_dicts(),
            "kinds": [asdict(one) for one in self.kinds],
            "best": self.best.to_dicts(),
            "claims": [asdict(one) for one in self.claims],
            "moderators": [asdict(one) for one in self.moderators],
            "left_out": self.left_out.to_dicts(),
            "alpha": self.alpha,
            "margin_pct": self.margin_pct,
            "warnings": list(self.warnings),
            "next": self.next,
            "method": self.method,
        }
