"""Where a declared study stands: pulls, looks, what they say to do, and what the day did."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.analysis.planning.day import Change
from dynostats.analysis.planning.declaration import Declaration, Declared, Look
from dynostats.analysis.planning.progress import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What the next look that can claim anything would say.

    Args:
        pairs: After how many pairs it is.
        decides: Chance that it ends the study.
        verdicts: Chance of each verdict.
    """

    pairs: int
    decides: float
    verdicts: dict[Verdict, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyState:
    """Where a declared study stands.

    Args:
        declared: The question.
        progress: Pulls in, and what is next.
        finding: The comparison so far at the declared alpha, as if this were the only look; None
            where it cannot be made yet.
        lacking: Why there is no comparison, or no interval; "" when there is.
        looks: The looks taken, oldest first.
        outlook: What the next look would say; None where there is none, or the study has ended.
        judged: The findings on the study's pulls.
        changes: What changed since the running session began.
        departures: Every departure from what was declared, as far as the study has come.
    """

    declared: Declaration
    progress: Progress
    finding: Comparison | None
    lacking: str
    looks: tuple[Look, ...]
    outlook: Outlook | None
    judged: tuple[PullFinding, ...]
    changes: tuple[Change, ...]
    departures: tuple[str, ...]

    @property
    def decision(self) -> str:
        """Return what the last look said to do; "go on" before the first."""
        return self.looks[-1].decision if self.looks else "go on"

    @property
    def stopped(self) -> bool:
        """Return whether a look ended the study."""
        return self.decision.startswith("stop")

    def advice(self) -> str:
        """Return what to do, in a line."""
        if self.stopped:
            return self.decision
        if self.outlook is None:
            return "go on: too few pulls for a look"
        more = self.outlook.pairs - self.progress.pairs
        if more <= 1:
            return f"one more pair decides with probability {_chance(self.outlook.decides)}"
        return (
            f"go on: no look before {self.outlook.pairs} pairs can claim anything; that one "
            f"decides with probability {_chance(self.outlook.decides)}"
        )

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain values."""
        progress, upcoming = self.progress, self.progress.next
        shown = ("pull", "file", "session", "setup", "order", "state", "why")
        overall = None if self.finding is None else self.finding.overall
        return {
            "declared": Declared(
                declaration=self.declared, departures=self.departures, looks=self.looks
            ).to_dict(),
            "pulls": progress.pulls.select(shown).to_dicts(),
            "baseline_pulls": progress.baseline,
            "candidate_pulls": progress.candidate,
            "effect_pct": None if overall is None else overall.effect_pct,
            "lacking": self.lacking,
            "decision": self.decision,
            "advice": self.advice(),
            "next": None if upcoming is None else asdict(upcoming),
            "outlook": None if self.outlook is None else asdict(self.outlook),
            "findings": [asdict(finding) for finding in self.judged],
            "since_start": [asdict(change) for change in self.changes],
        }


def _chance(probability: float) -> str:
    """Return a probability that never claims certainty."""
    if probability > 0.99:
        return "above 0.99"
    return "below 0.01" if probability < 0.01 else f"{probability:.2f}"
