"""What the acceptance checks found: the one object that terminal, JSON and notebook show."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

Severity = Literal["void", "doubtful", "note"]
_COLUMNS = {
    "pull": pl.String,
    "check": pl.String,
    "severity": pl.String,
    "message": pl.String,
    "danger": pl.Boolean,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PullFinding:
    """One thing about one pull that its reader should know.

    Args:
        pull: The pull.
        check: Name of the check, stable, for filters.
        severity: "void": not fit to be compared; "doubtful": look at it; "note": good to know.
        message: One or more sentences with speeds and numbers.
        danger: True when it tells of a danger to the engine or to people, whatever it means for
            the data.
    """

    pull: str
    check: str
    severity: Severity
    message: str
    danger: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Acceptance:
    """How fit stored pulls are to be compared.

    Args:
        pulls: Names of the pulls looked at.
        findings: What was found, in the order of the pulls, the gravest first.
        labels: One row a pull whose label was judged: pull, setup (on paper), probability that it
            is right, looks_like (most probable other setup; null if none is known), probability of
            that, and of no known setup.
        limits: One row a limit used: engine, dyno, check, limit, unit, source.
        cannot_tell: Sentences about what could not be judged, and what would allow it.
    """

    pulls: tuple[str, ...]
    findings: tuple[PullFinding, ...]
    labels: pl.DataFrame
    limits: pl.DataFrame
    cannot_tell: tuple[str, ...]

    @property
    def frame(self) -> pl.DataFrame:
        """Return one row a finding: pull, check, severity, message, danger."""
        return pl.DataFrame([asdict(finding) for finding in self.findings], schema=_COLUMNS)

    def of(self, severity: Severity) -> tuple[PullFinding, ...]:
        """Return the findings of one severity."""
        return tuple(finding for finding in self.findings if finding.severity == severity)

    def dangers(self) -> tuple[PullFinding, ...]:
        """Return the findings that tell of a danger."""
        return tuple(finding for finding in self.findings if finding.danger)

    def _repr_html_(self) -> str:
        return self.frame._repr_html_()  # pyright: ignore[reportPrivateUsage]

    def to_dict(self) -> dict[str, object]:
        """Return the result under the names of the JSON contract."""
        return {
            "findings": [asdict(finding) for finding in self.findings],
            "pulls": len(self.pulls),
            "labels": self.labels.to_dicts(),
            "limits": self.limits.to_dicts(),
            "cannot_tell": list(self.cannot_tell),
        }
