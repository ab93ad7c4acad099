"""Every study that a warehouse holds, each judged by itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from dynostats.analysis.comparison import Comparison

Origin = Literal["declared", "named", "met"]

ORIGINS: Final[dict[Origin, str]] = {
    "declared": "declared before its pulls",
    "named": "named on the sheet",
    "met": "setups that met in a session",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """Two setups of an engine that were compared, or could be.

    Args:
        engine: The engine.
        baseline: Setup before the change.
        candidate: Setup with the change.
        origin: How it is known to be a study: a declared question, a sheet that says what the
            candidate was changed from, or the two setups meeting in a session.
        kind: Kind of the change; None where nothing is said.
        changed: What was changed, as the sheet says; None where it says nothing.
        when: Of the candidate's last pull, or of both setups'; None where no time is known.
        finding: The comparison; None where the pulls do not allow one.
        why: Why there is no comparison; "" where there is one.
    """

    engine: str
    baseline: str
    candidate: str
    origin: Origin
    kind: str | None
    changed: str | None
    when: datetime | None
    finding: Comparison | None
    why: str = ""

    def to_dict(self) -> dict[str, object]:
        """Return it as plain values, the curve left out."""
        found = self.finding
        return {
            "engine": self.engine,
            "baseline": self.baseline,
            "candidate": self.candidate,
            "origin": self.origin,
            "kind": self.kind,
            "changed": self.changed,
            "when": None if self.when is None else self.when.isoformat(),
            "verdict": None if found is None else found.verdict,
            "effect_pct": None if found is None else found.overall.effect_pct,
            "low_pct": None if found is None else found.overall.low_pct,
            "high_pct": None if found is None else found.overall.high_pct,
            "alpha": None if found is None else found.alpha,
            "baseline_pulls": None if found is None else found.pulls.baseline,
            "candidate_pulls": None if found is None else found.pulls.candidate,
            "why": self.why,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyList:
    """All of them, the latest first.

    Args:
        studies: One a question, declared or possible.
    """

    studies: tuple[Study, ...]

    @property
    def caution(self) -> str:
        """Return what a reader of many answers has to know of each."""
        judged = sum(one.finding is not None for one in self.studies)
        return (
            f"{judged} of {len(self.studies)} studies could be judged, each by itself at its own "
            "level. Among many studies without any effect a few claim one all the same, and the "
            "largest of many effects is mostly too large: “dynostats history” judges them together."
        )

    def to_dict(self) -> dict[str, object]:
        """Return it for JSON."""
        return {"studies": [one.to_dict() for one in self.studies], "caution": self.caution}
