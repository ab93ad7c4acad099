"""Why torque differs: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

from dynostats.analysis.attribution.channels import Missing
from dynostats.analysis.attribution.exponents import Coefficient
from dynostats.analysis.cooler import CoolerFinding
from dynostats.analysis.fuel import FuelFinding

PartName = Literal["boost", "charge_temperature", "mixture", "unexplained"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one cause makes of the difference, mean over the band.

    Args:
        name: The cause, or "unexplained" for what no cause explains.
        effect_pct: Percent of the baseline.
        low_pct: Lower bound at 1 - alpha, for this part alone; None when the noise is unknown.
        high_pct: Upper bound, likewise.
        log_pct: 100 x log ratio: these add up to the total's exactly.
        effect_kw: In kW, mean over the band; these add up to the total's exactly.
        low_kw: Lower bound in kW.
        high_kw: Upper bound in kW.
        change_pct: How far the cause itself changed, percent of its absolute value (lambda:
            percent of lambda); None for what is unexplained.
        assumed: True where its exponent is assumed in part or whole.
    """

    name: PartName
    effect_pct: float
    low_pct: float | None
    high_pct: float | None
    log_pct: float
    effect_kw: float
    low_kw: float | None
    high_kw: float | None
    change_pct: float | None
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """The difference that is split, as `compare` has it.

    Args:
        effect_pct: Mean over the band, percent of the baseline.
        low_pct: Lower bound; it holds together with the whole curve of the comparison.
        high_pct: Upper bound, likewise.
        log_pct: 100 x log ratio.
        effect_kw: The same in kW.
    """

    effect_pct: float
    low_pct: float | None
    high_pct: float | None
    log_pct: float
    effect_kw: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Attribution:
    """How much of a difference boost, charge temperature and mixture explain.

    The sign of everything is candidate minus baseline.

    Args:
        engine: The engine.
        baseline: Baseline setup.
        candidate: Candidate setup.
        alpha: One less the level of the intervals.
        band: First and last engine speed, rpm.
        total: The difference.
        parts: The causes that can be told apart, then what is unexplained; they add up to the
            total.
        coefficients: The exponent of each of those causes.
        identified: True when the pulls alone identify every one of them.
        cannot_split: Causes that cannot be told apart, and why; their share is unexplained.
        curve: One row a grid speed: rpm, total_pct, and for each part NAME_pct, NAME_low_pct,
            NAME_high_pct (each speed for itself), NAME_log_pct.
        causes: One row a cause, setup and grid speed: cause, role, rpm, value (kPa absolute,
            degC, lambda): the setups' means.
        sensitivity: One row an assumed exponent, end of its prior's range and part: coefficient,
            exponent, part, effect_pct.
        partial: One row a cause and difference between pulls of one setup in one session, mean over
            the band: cause, change_pct (of the cause), torque_pct (less what the other causes
            explain), 100 x log ratio; at most 300 a cause.
        cooler: What the charge cooler does in both setups; None without its channels.
        fuel: What fuel and mixture do; None without their channels.
        pulls: Pulls of each setup that the split rests on.
        history_pulls: Other pulls of the engine that its exponents were learned from.
        warnings: Sentences the reader must see.
        next: What would sharpen the answer.
        method: Settings, formulas in words, sources.
    """

    engine: str
    baseline: str
    candidate: str
    alpha: float
    band: tuple[float, float]
    total: Total
    parts: tuple[Part, ...]
    coefficients: tuple[Coefficient, ...]
    identified: bool
    cannot_split: tuple[Missing, ...]
    curve: pl.DataFrame
    causes: pl.DataFrame
    sensitivity: pl.DataFrame
    partial: pl.DataFrame
    cooler: CoolerFinding | None
    fuel: FuelFinding | None
    pulls: dict[str, int]
    history_pulls: int
    warnings: tuple[str, ...]
    next: str
    method: dict[str, object]

    def to_dict(self) -> dict[str, object]:
        """Return the finding under the names of the JSON contract; unknown values are None."""
        return {
            "total_pct": self.total.effect_pct,
            "total": asdict(self.total),
            "question": {
                "engine": self.engine,
                "baseline": self.baseline,
                "candidate": self.candidate,
                "alpha": self.alpha,
                "band_rpm": list(self.band),
            },
            "parts": [asdict(part) for part in self.parts],
            "coefficients": [asdict(one) for one in self.coefficients],
            "identified": self.identified,
            "cannot_split": [asdict(one) for one in self.cannot_split],
            "curve": self.curve.to_dicts(),
            "sensitivity": self.sensitivity.to_dicts(),
            "partial": self.partial.to_dicts(),
            "cooler": None if self.cooler is None else self.cooler.to_dict(),
            "fuel": None if self.fuel is None else self.fuel.to_dict(),
            "pulls": {**self.pulls, "history": self.history_pulls},
            "warnings": list(self.warnings),
            "next": self.next,
            "method": self.method,
        }
