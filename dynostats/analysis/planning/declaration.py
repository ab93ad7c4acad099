"""A question declared before its pulls, and the looks that were taken at them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime

from dynostats.analysis.planning.run_sheet import PlannedPull
from dynostats.words import as_paragraphs


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What was declared, before the first pull.

    Args:
        number: Its number in the warehouse.
        engine: The engine.
        dyno: The dyno; None where it has no name.
        baseline: Setup before the change.
        candidate: Setup with the change.
        quantity: "power" or "torque".
        band: First and last engine speed, rpm; None for what every pull covers.
        correction: Ambient correction; None for what the sheets declare.
        margin_pct: Smallest change that matters, percent.
        alpha: Chance of any false claim that is accepted, over all looks.
        effect_pct: Effect that must be seen, percent.
        power: Chance of seeing it.
        pulls_per_setup: Pulls of each setup.
        looks: Looks planned, the last one included.
        rule: How alpha is spread over the looks.
        seed: Seed of the run order.
        who: Who declared it.
        declared_at: When, UTC.
        rows: The run sheet.
    """

    number: int
    engine: str
    dyno: str | None
    baseline: str
    candidate: str
    quantity: str
    band: tuple[float, float] | None
    correction: str | None
    margin_pct: float
    alpha: float
    effect_pct: float
    power: float
    pulls_per_setup: int
    looks: int
    rule: str
    seed: int
    who: str
    declared_at: datetime
    rows: tuple[PlannedPull, ...]

    def compared(self) -> tuple[PlannedPull, ...]:
        """Return the rows of the run sheet that are compared, in order."""
        return tuple(row for row in self.rows if row.order is not None)

    def sessions(self) -> tuple[str, ...]:
        """Return the names of the sessions, in order."""
        return tuple(dict.fromkeys(row.session for row in self.rows))

    def _repr_html_(self) -> str:
        looks = "look" if self.looks == 1 else "looks"
        return as_paragraphs(
            [
                (
                    f"Question {self.number}, declared {self.declared_at:%Y-%m-%d %H:%M} UTC by "
                    f"{self.who}: {self.candidate} against {self.baseline} on {self.engine}, "
                    f"{self.quantity}, margin {self.margin_pct:g}%; {self.pulls_per_setup} pulls "
                    f"of each, {self.looks} {looks}."
                )
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look at a declared study.

    Args:
        number: From 1.
        pairs: Pairs of accepted pulls in.
        information: Share of what was planned, above 0.
        df: Degrees of freedom of the mean.
        level: Two-sided level tested at; 0 where nothing could be claimed.
        verdict: What the comparison at that level says.
        decision: What to do: "stop: gain", ..., "go on".
        effect_pct: Mean over the band, percent.
        low_pct: Lower bound at that level; None where nothing could be claimed.
        high_pct: Upper bound.
        taken_at: When, UTC; None for one not stored yet.
    """

    number: int
    pairs: int
    information: float
    df: float
    level: float
    verdict: str
    decision: str
    effect_pct: float | None
    low_pct: float | None
    high_pct: float | None
    taken_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A comparison held against the question that was declared for it.

    Args:
        declaration: What was declared.
        departures: Every departure from it, in sentences; empty when it was followed.
        looks: The looks that were taken, oldest first.
    """

    declaration: Declaration
    departures: tuple[str, ...]
    looks: tuple[Look, ...]

    def to_dict(self) -> dict[str, object]:
        """Return it as plain values."""
        declared = self.declaration
        return {
            "question": declared.number,
            "declared_at": declared.declared_at.isoformat(timespec="seconds"),
            "who": declared.who,
            "quantity": declared.quantity,
            "band_rpm": None if declared.band is None else list(declared.band),
            "correction": declared.correction,
            "margin_pct": declared.margin_pct,
            "alpha": declared.alpha,
            "effect_pct": declared.effect_pct,
            "power": declared.power,
            "pulls_per_setup": declared.pulls_per_setup,
            "looks_planned": declared.looks,
            "rule": declared.rule,
            "order": [row.role for row in declared.compared()],
            "departures": list(self.departures),
            "looks": [asdict(look) for look in self.looks],
        }
