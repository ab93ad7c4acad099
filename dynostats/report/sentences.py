"""The finding in sentences a customer understands, and that never claim more than was shown."""

from __future__ import annotations

from typing import Final

import polars as pl

from dynostats.analysis.comparison import Comparison, Region, Verdict
from dynostats.report.numbers import digits_for, interval, percent, speed, speeds
from dynostats.words import count

BADGES: Final[dict[Verdict, tuple[str, str]]] = {
    "gain": ("▲", "Gain"),
    "loss": ("▼", "Loss"),
    "no_meaningful_change": ("=", "No change that matters"),
    "mixed": ("±", "Mixed: gain and loss"),
    "undecided": ("?", "Undecided"),
}

REGION_WORDS: Final[dict[Verdict, str]] = {
    "gain": "gain",
    "loss": "loss",
    "no_meaningful_change": "no change that matters",
    "mixed": "mixed",
    "undecided": "undecided",
}


def level(result: Comparison) -> str:
    """Return the level of every interval, e.g. "95%"."""
    return f"{100 * (1 - result.alpha):.3g}%"


def question(result: Comparison) -> str:
    """Return the question the study was made for."""
    return (
        f"Does “{result.candidate}” make more {result.quantity} than “{result.baseline}” "
        f"on “{result.engine}”?"
    )


def answer(result: Comparison) -> str:
    """Return the answer in one sentence with its number, its interval and the count of pulls."""
    match result.verdict:
        case "gain":
            return _changed(result, sign=1)
        case "loss":
            return _changed(result, sign=-1)
        case "no_meaningful_change":
            return _unchanged(result)
        case "mixed":
            return _mixed(result)
        case "undecided":
            return _undecided(result)


def evidence(result: Comparison) -> str:
    """Return how many pulls stand behind the answer and how they share sessions."""
    return f"{pulls_against(result)}, {sessions(result)}"


def pulls_against(result: Comparison) -> str:
    """Return the count of pulls a side, candidate first as in the answer."""
    return f"{count(result.pulls.candidate, 'pull')} against {result.pulls.baseline}"


def sessions(result: Comparison) -> str:
    """Return in how many sessions the accepted pulls were made, and how the setups share them."""
    used = result.pull_table.filter(pl.col("state") == "accepted")
    baseline, candidate = (
        set(used.filter(pl.col("role") == role)["session"].to_list())
        for role in ("baseline", "candidate")
    )
    every, both = baseline | candidate, baseline & candidate
    if len(every) == 1:
        return "in one session"
    if not both:
        return f"in {len(every)} sessions, never both setups in one"
    if both == every:
        return f"in {len(every)} sessions, both setups in each"
    return f"in {len(every)} sessions, both setups in {len(both)} of them"


def where(result: Comparison) -> tuple[str, ...]:
    """Return a sentence for each kind of verdict that some part of the rev range has."""
    verdicts = {region.verdict for region in result.regions}
    if result.verdict == "no_meaningful_change":
        # Tested speed by speed (TOST), which is less strict than the regions' simultaneous band.
        return (f"At every speed compared the difference lies within ±{result.margin_pct:g}%.",)
    if verdicts == {"undecided"} and result.verdict != "undecided":
        return ("That holds for the mean; these pulls cannot tell at which speeds.",)
    sentences = {
        "gain": f"More {result.quantity} is shown {{}}.",
        "loss": f"Less {result.quantity} is shown {{}}.",
        "no_meaningful_change": f"A change beyond ±{result.margin_pct:g}% is ruled out {{}}.",
        "undecided": "Undecided {}.",
    }
    found = ((text, _ranges(result, verdict)) for verdict, text in sentences.items())
    return tuple(text.format(ranges) for text, ranges in found if ranges)


def firmness(result: Comparison) -> str:
    """Return whether the answer hangs on a single pull."""
    if not result.influence:
        return "Whether the answer hangs on a single pull cannot be said from these pulls."
    turning = [
        f"without {one.pull} “{REGION_WORDS[one.verdict]}”"
        for one in result.influence
        if one.changes
    ]
    if not turning:
        return "No single pull decides the answer: it is the same without any one of them."
    return f"The answer hangs on single pulls: {_listed(turning)}."


def alternative(result: Comparison) -> str:
    """Return the effect chart in words, for readers who do not see it."""
    lowest = result.curve.sort("effect_pct")[0].row(0, named=True)
    highest = result.curve.sort("effect_pct")[-1].row(0, named=True)
    range_text = (
        f"Curve of the difference in {result.quantity} over engine speed: from "
        f"{percent(lowest['effect_pct'], 1, signed=True)} at {speed(lowest['rpm'])} rpm to "
        f"{percent(highest['effect_pct'], 1, signed=True)} at {speed(highest['rpm'])} rpm."
    )
    return " ".join([range_text, *where(result)])


def _ranges(result: Comparison, verdict: str) -> str:
    found = [region for region in result.regions if region.verdict == verdict]
    if len(found) == len(result.regions):
        return "over the whole range" if found else ""
    return _listed([f"from {speeds(r.from_rpm, r.to_rpm)}" for r in found])


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else " and ".join([", ".join(parts[:-1]), *parts[-1:]])


def _band(result: Comparison) -> str:
    low, high = result.band
    return f"between {speed(low)} and {speed(high)} rpm"


def _mean_interval(result: Comparison, *, sign: int = 0) -> str:
    """Return the interval of the band mean; with a sign, as an amount more or less."""
    low, high = result.overall.low_pct, result.overall.high_pct
    if low is None or high is None:
        return f"no interval: the noise is unknown; {evidence(result)}"
    digits = digits_for(low, high)
    if sign:
        low, high = sorted((sign * low, sign * high))
        word = " more" if sign > 0 else " less"
    else:
        word = ""
    return f"{level(result)} interval {interval(low, high, digits)}{word}; {evidence(result)}"


def _mean_digits(result: Comparison) -> int:
    return digits_for(result.overall.low_pct, result.overall.high_pct)


def _changed(result: Comparison, *, sign: int) -> str:
    """Return a gain (sign 1) or loss (sign -1): of the mean if that is shown, else of a region."""
    overall = result.overall
    bound = overall.low_pct if sign > 0 else overall.high_pct
    if bound is None or sign * bound <= 0:
        return _changed_in_part(result, sign=sign)
    word = "more" if sign > 0 else "less"
    return (
        f"“{result.candidate}” made {percent(abs(overall.effect_pct), _mean_digits(result))} "
        f"{word} {result.quantity} than “{result.baseline}” on average {_band(result)} "
        f"({_mean_interval(result, sign=sign)})."
    )


def _changed_in_part(result: Comparison, *, sign: int) -> str:
    verdict, word = ("gain", "more") if sign > 0 else ("loss", "less")
    parts = [_region_amount(r, word) for r in result.regions if r.verdict == verdict]
    mean = percent(result.overall.effect_pct, _mean_digits(result), signed=True)
    return (
        f"“{result.candidate}” made {_listed(parts)} than “{result.baseline}”, but on average "
        f"{_band(result)} no difference is shown (mean {mean}, {_mean_interval(result)})."
    )


def _region_amount(region: Region, word: str) -> str:
    digits = digits_for(region.low_pct, region.high_pct)
    amount = percent(abs(region.effect_pct), digits)
    return f"{amount} {word} from {speeds(region.from_rpm, region.to_rpm)}"


def _unchanged(result: Comparison) -> str:
    mean = percent(result.overall.effect_pct, _mean_digits(result), signed=True)
    return (
        f"“{result.candidate}” and “{result.baseline}” make the same {result.quantity} for all "
        f"that matters: the difference stays within ±{result.margin_pct:g}% {_band(result)} "
        f"(mean {mean}, {_mean_interval(result)})."
    )


def _mixed(result: Comparison) -> str:
    gains = [_region_amount(r, "more") for r in result.regions if r.verdict == "gain"]
    losses = [_region_amount(r, "less") for r in result.regions if r.verdict == "loss"]
    mean = percent(result.overall.effect_pct, _mean_digits(result), signed=True)
    return (
        f"“{result.candidate}” made {_listed(gains)}, but {_listed(losses)} than "
        f"“{result.baseline}” (mean {_band(result)} {mean}, {_mean_interval(result)})."
    )


def _undecided(result: Comparison) -> str:
    mean = percent(result.overall.effect_pct, _mean_digits(result), signed=True)
    return (
        f"These pulls cannot tell whether “{result.candidate}” makes more {result.quantity} than "
        f"“{result.baseline}”: the measured mean difference {_band(result)} is {mean} "
        f"({_mean_interval(result)})."
    )
