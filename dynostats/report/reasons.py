"""The split in sentences a customer understands, and that never claim more than was shown."""

from __future__ import annotations

from collections.abc import Sequence

from dynostats.analysis.attribution import Attribution, Part
from dynostats.report.numbers import digits_for, interval, percent
from dynostats.words import count

NAMES = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "what none of these explains",
}


def explain(result: Attribution) -> str:
    """Return the split in two or three sentences."""
    total = result.total.effect_pct
    parts = [_told(part) for part in result.parts]
    lead = (
        f"Of the difference of {percent(total, digits_for(total), signed=True)}, "
        if len(parts) > 1
        else f"The difference of {percent(total, digits_for(total), signed=True)} cannot be split: "
    )
    return f"{lead}{_listed(parts)}. {_footing(result)}"


def say_unsplit(result: Attribution) -> str:
    """Return in one sentence why nothing can be split; "" where something can."""
    if result.coefficients:
        return ""
    whys = [f"{NAMES[one.name]} ({one.why})" for one in result.cannot_split]
    return f"The difference cannot be split by cause: {'; '.join(whys)}."


def say_basis(result: Attribution, part: Part) -> str:
    """Return in a few words what a part rests on: pulls of this study, the history, physics."""
    pulls = f"{result.pulls['candidate']} pulls against {result.pulls['baseline']}"
    if part.name == "unexplained":
        rest = " and the assumed exponents above" if part.assumed else ""
        return f"what is left of the difference: {pulls}{rest}"
    history = result.history_pulls
    whence = "these pulls"
    if history:
        whence += f" and {count(history, 'other pull')} of the engine"
    if part.assumed:
        return f"change measured: {pulls}; exponent assumed: physics, and what {whence} add"
    return f"change measured: {pulls}; exponent measured from {whence}"


def _told(part: Part) -> str:
    text = f"{NAMES[part.name]} makes {percent(part.effect_pct, 2, signed=True)}"
    if part.low_pct is None or part.high_pct is None:
        return f"{text} (interval unknown)"
    return f"{text} ({interval(part.low_pct, part.high_pct, 2)})"


def _footing(result: Attribution) -> str:
    assumed = [NAMES[one.name] for one in result.coefficients if one.assumed]
    if not result.coefficients:
        return "No channel that could explain it was logged for both setups."
    if not assumed:
        return "How torque follows each of them was learned from this engine's own pulls."
    return (
        f"How torque follows {_listed(assumed)} is assumed in part: these pulls alone do not tell, "
        "and physics stands in."
    )


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
