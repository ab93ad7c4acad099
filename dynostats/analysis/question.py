"""The question that a comparison answers."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.errors import AnalysisError

# Smaller levels would rest on the few most extreme of the simulated studies.
LEAST_ALPHA = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked.

    Args:
        engine: The engine.
        baseline: Setup before the change.
        candidate: Setup with the change.
        quantity: "power" or "torque".
        margin_pct: Smallest change that matters, percent, above 0.
        alpha: Chance of any false claim that is accepted, from 0.005 to below 0.5.
        band: First and last engine speed, rpm; None for all that every pull covers.
        correction: Name of the ambient correction wanted, "none" for none; None for the one that
            the sheets declare their torque to have, else none.

    Raises:
        AnalysisError: A setting lies outside its range.
    """

    engine: str
    baseline: str
    candidate: str
    quantity: str = "power"
    margin_pct: float = 0.5
    alpha: float = 0.05
    band: tuple[float, float] | None = None
    correction: str | None = None

    def __post_init__(self) -> None:
        """Refuse settings that no answer could honour."""
        if self.quantity not in {"power", "torque"}:
            raise AnalysisError(
                f"quantity is '{self.quantity}'; it must be power or torque", where="--quantity"
            )
        if not 0.0 < self.margin_pct < 100.0:
            raise AnalysisError(
                f"margin is {self.margin_pct:g}%; it must be above 0 and below 100",
                where="--margin",
                mend="Give the smallest change that would matter to you, for example 0.5.",
            )
        if not LEAST_ALPHA <= self.alpha < 0.5:
            raise AnalysisError(
                f"alpha is {self.alpha:g}; it must lie between {LEAST_ALPHA:g} and 0.5",
                where="--alpha",
                mend="Give the chance of a false claim you accept, for example 0.05.",
            )
        if self.baseline == self.candidate:
            raise AnalysisError(
                f"baseline and candidate are both '{self.baseline}'",
                where="--candidate",
                mend="Name two different setups.",
            )
