"""The answer in figures: a few labelled values under the sentence."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.analysis.comparison import Comparison
from dynostats.report import sentences
from dynostats.report.numbers import Quantity, digits_for, percent, speeds
from dynostats.report.view.words import interval_text, kilowatts


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A labelled figure under the answer: some text, a quantity or two ends of one."""

    label: str
    text: str = ""
    quantity: Quantity | None = None
    low: Quantity | None = None
    high: Quantity | None = None


def build_facts(result: Comparison) -> tuple[Fact, ...]:
    """Return the values under the answer, in order."""
    overall = result.overall
    level = sentences.level(result)
    digits = digits_for(overall.low_pct, overall.high_pct)
    facts = [
        Fact(
            label=f"Mean difference, {speeds(*result.band)}",
            text=percent(overall.effect_pct, digits, signed=True),
        ),
        Fact(
            label=f"{level} interval of the mean",
            text=interval_text(overall.low_pct, overall.high_pct),
        ),
        Fact(
            label="In power, mean over the range",
            quantity=kilowatts(overall.effect_kw, signed=True),
            low=None
            if overall.low_kw is None
            else kilowatts(overall.low_kw, signed=True, bare=True),
            high=None if overall.high_kw is None else kilowatts(overall.high_kw, signed=True),
        ),
        Fact(label="Pulls behind it", text=sentences.evidence(result)),
    ]
    if overall.probability_gain_over_margin is not None:
        facts.append(
            Fact(
                label=f"Chance that the mean gain exceeds {result.margin_pct:g}%",
                text=_chance(overall.probability_gain_over_margin),
            )
        )
    return tuple(facts)


def _chance(probability: float) -> str:
    """Return a probability in percent that never claims certainty."""
    if probability > 0.99:
        return "over 99%"
    if probability < 0.01:
        return "under 1%"
    return percent(100 * probability, 0)
