"""An attribution laid out: parts, frames, and what moves with what is assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.attribution.evidence import Evidence
from dynostats.analysis.attribution.exponents import Exponents
from dynostats.analysis.attribution.finding import Attribution, Part, PartName, Total
from dynostats.analysis.attribution.scene import Scene
from dynostats.analysis.attribution.split import Change, Split, parts_of
from dynostats.analysis.attribution.words import describe_method, say_next, say_warnings
from dynostats.analysis.conclude import percent
from dynostats.analysis.cooler import CoolerFinding
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import Effect
from dynostats.analysis.fuel import FuelFinding
from dynostats.analysis.question import Question
from dynostats.analysis.tables import mean_power
from dynostats.arrays import Floats

SENSITIVITY = {
    "coefficient": pl.String,
    "exponent": pl.Float64,
    "part": pl.String,
    "effect_pct": pl.Float64,
}


PARTIAL = {"cause": pl.String, "change_pct": pl.Float64, "torque_pct": pl.Float64}
# A cloud of more points than this shows nothing more.
MOST_POINTS = 300


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learning:
    """The exponents and what they were learned from.

    Args:
        exponents: The exponents.
        history: Pulls outside the study that they were learned from.
        evidence: Contrasts of the engine's own pulls.
    """

    exponents: Exponents
    history: int
    evidence: Evidence


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Everything an attribution is laid out from.

    Args:
        scene: Pulls and channels.
        mine: The study's pulls.
        question: What was asked.
        effect: The total.
        learned: The exponents; None where no cause can be told apart.
        change: What changed.
        split: The parts at each view: mean, mean in kW, each speed.
        views: The views.
        cooler: What the charge cooler does; None without its channels.
        fuel: What fuel and mixture do; None without their channels.
        notes: What must be said of the torque itself.
    """

    scene: Scene
    mine: CurveSet
    question: Question
    effect: Effect
    learned: Learning | None
    change: Change
    split: Split
    views: Floats
    cooler: CoolerFinding | None
    fuel: FuelFinding | None
    notes: tuple[str, ...]

    @property
    def exponents(self) -> Exponents | None:
        """Return the exponents; None where no cause can be told apart."""
        return None if self.learned is None else self.learned.exponents

    @property
    def names(self) -> tuple[PartName, ...]:
        """Return the names of the parts."""
        return (*(cause.name for cause in self.scene.causes), "unexplained")


def lay_out(found: Found) -> Attribution:
    """Lay an attribution out as the one object that every output shows."""
    question, exponents = found.question, found.exponents
    identified = exponents is not None and exponents.identified
    shift = 100.0 * np.expm1(found.change.causes @ found.views[0])
    return Attribution(
        engine=question.engine,
        baseline=question.baseline,
        candidate=question.candidate,
        alpha=question.alpha,
        band=(float(found.mine.rpm[0]), float(found.mine.rpm[-1])),
        total=_total(found),
        parts=_parts(found, shift),
        coefficients=() if exponents is None else exponents.coefficients,
        identified=identified,
        cannot_split=found.scene.missing,
        curve=_curve(found),
        causes=_cause_curves(found),
        sensitivity=_sensitivity(found),
        partial=_partial(found),
        cooler=found.cooler,
        fuel=found.fuel,
        pulls={
            role: found.mine.setup.count(setup)
            for role, setup in (("baseline", question.baseline), ("candidate", question.candidate))
        },
        history_pulls=0 if found.learned is None else found.learned.history,
        warnings=(
            *say_warnings(found.effect, exponents, found.scene.missing, found.scene.left_out),
            *found.notes,
        ),
        next=say_next(exponents, found.scene.missing, identified=identified),
        method=describe_method(
            question.alpha,
            [(cause.name, cause.prior.source) for cause in found.scene.causes],
        ),
    )


def pointwise_half(effect: Effect, alpha: float) -> Floats:
    """Return the half-width of the effect at each speed for itself; NaN where not known."""
    if effect.spread is None or effect.draws is None:
        return np.full(len(effect.rpm), np.nan)
    limit = np.quantile(np.abs(effect.draws.curve[:, 0]), 1.0 - alpha, axis=0)
    return limit * effect.spread.curve


def mean_half(effect: Effect) -> float:
    """Return the half-width of the band mean as `compare` states it; NaN where not known."""
    if effect.spread is None or effect.means_factor is None:
        return np.nan
    return effect.means_factor * float(effect.spread.means[0])


def _total(found: Found) -> Total:
    mean, half = float(found.effect.means[0]), mean_half(found.effect)
    return Total(
        effect_pct=_pct(mean),
        low_pct=_known(_pct(mean - half)),
        high_pct=_known(_pct(mean + half)),
        log_pct=100.0 * mean,
        effect_kw=float(found.effect.means[1]) * _kw_per_log(found),
    )


def _kw_per_log(found: Found) -> float:
    """Return kW per log unit: the logarithmic mean of both setups' power, so that kW add up.

    Source: Ang (2005), Energy Policy 33:867, the logarithmic mean weighs factors so that their
    parts of a difference add up without remainder (from memory).
    """
    mean_kw = float(mean_power(found.mine, found.question.baseline).mean())
    total = float(found.effect.means[1])
    return mean_kw * (float(np.expm1(total)) / total if abs(total) > 1e-9 else 1.0)


def _parts(found: Found, shift_pct: Floats) -> tuple[Part, ...]:
    unit = _kw_per_log(found)
    coefficients = () if found.exponents is None else found.exponents.coefficients
    assumed = {one.name for one in coefficients if one.assumed}
    parts, half = found.split.parts, found.split.half
    return tuple(
        Part(
            name=name,
            effect_pct=_pct(parts[at, 0]),
            low_pct=_known(_pct(parts[at, 0] - half[at, 0])),
            high_pct=_known(_pct(parts[at, 0] + half[at, 0])),
            log_pct=100.0 * float(parts[at, 0]),
            effect_kw=unit * float(parts[at, 1]),
            low_kw=_known(unit * float(parts[at, 1] - half[at, 1])),
            high_kw=_known(unit * float(parts[at, 1] + half[at, 1])),
            change_pct=float(shift_pct[at]) if at < len(shift_pct) else None,
            assumed=name in assumed or (name == "unexplained" and bool(assumed)),
        )
        for at, name in enumerate(found.names)
    )


def _curve(found: Found) -> pl.DataFrame:
    effect = found.effect
    half = pointwise_half(effect, found.question.alpha)
    columns: dict[str, Floats] = {
        "rpm": effect.rpm,
        "total_pct": percent(effect.curve),
        "total_low_pct": percent(effect.curve - half),
        "total_high_pct": percent(effect.curve + half),
    }
    first = len(found.views) - len(effect.rpm)
    for at, name in enumerate(found.names):
        part, width = found.split.parts[at, first:], found.split.half[at, first:]
        columns[f"{name}_pct"] = percent(part)
        columns[f"{name}_low_pct"] = percent(part - width)
        columns[f"{name}_high_pct"] = percent(part + width)
        columns[f"{name}_log_pct"] = 100.0 * part
    return pl.DataFrame(columns).fill_nan(None)


def _cause_curves(found: Found) -> pl.DataFrame:
    frames: list[pl.DataFrame] = []
    roles = {"baseline": found.question.baseline, "candidate": found.question.candidate}
    own = found.scene.own
    for reading in found.scene.readings:
        for role, setup in roles.items():
            rows = [row for row in own if found.scene.pulls.setup[row] == setup]
            frames.append(
                pl.DataFrame(
                    {
                        "cause": reading.name,
                        "role": role,
                        "rpm": found.mine.rpm,
                        "value": reading.values[rows].mean(axis=0),
                    }
                )
            )
    schema = {"cause": pl.String, "role": pl.String, "rpm": pl.Float64, "value": pl.Float64}
    return pl.concat(frames) if frames else pl.DataFrame(schema=schema)


def _sensitivity(found: Found) -> pl.DataFrame:
    """Return the parts at both ends of the prior of each assumed exponent."""
    if found.exponents is None:
        return pl.DataFrame(schema=SENSITIVITY)
    rows: list[tuple[str, float, str, float]] = []
    for at, one in enumerate(found.exponents.coefficients):
        if not one.assumed:
            continue
        for exponent in found.exponents.causes[at].prior.bounds():
            values = found.exponents.fixed(at, exponent)
            parts = parts_of(found.change, found.exponents, values, found.views[0])
            rows += [
                (one.name, exponent, name, _pct(part))
                for name, part in zip(found.names, parts, strict=True)
            ]
    return pl.DataFrame(rows, schema=SENSITIVITY, orient="row")


def _partial(found: Found) -> pl.DataFrame:
    """Return how torque, less what the other causes explain, follows each cause between pulls."""
    if found.learned is None:
        return pl.DataFrame(schema=PARTIAL)
    evidence, exponents = found.learned.evidence, found.learned.exponents
    # The first cosine is flat: it holds the mean over the band.
    unit = 100.0 / np.sqrt(evidence.curves.shape[2])
    kept = np.flatnonzero(~evidence.slopes)[:MOST_POINTS]
    causes = unit * evidence.causes[:, kept, 0]
    torque = unit * (evidence.torque - found.scene.bend * evidence.bent)[kept, 0]
    rest = torque - exponents.estimate @ causes
    frames = [
        pl.DataFrame(
            {"cause": cause.name, "change_pct": own, "torque_pct": rest + exponent * own},
            schema=PARTIAL,
        )
        for cause, own, exponent in zip(exponents.causes, causes, exponents.estimate, strict=True)
    ]
    return pl.concat(frames)


def _pct(log_ratio: float) -> float:
    return 100.0 * float(np.expm1(log_ratio))


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
