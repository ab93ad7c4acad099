"""The text under each picture, and the finding in words for readers who do not see it."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.analysis.comparison import Comparison
from dynostats.report import sentences
from dynostats.report.numbers import decimal, percent, speed
from dynostats.report.view.rows import region_rows, whole_row
from dynostats.report.view.words import interval_text, sd_text
from dynostats.words import count


@dataclass(frozen=True, slots=True, kw_only=True)
class Captions:
    """Text under each picture, and the finding in words for readers who do not see it."""

    shows: str
    finding: str


def build_captions(result: Comparison) -> dict[str, Captions]:
    """Return caption and finding of each picture, by its name."""
    level = sentences.level(result)
    n = sentences.pulls_against(result)
    mean = percent(result.overall.effect_pct, 1, signed=True)
    between_sessions = sd_text(result.noise.session_sd_pct)
    bounds = interval_text(result.overall.low_pct, result.overall.high_pct)
    excluded = count(result.pulls.excluded, "excluded pull")
    spread = sd_text(result.noise.pull_sd_pct)
    return {
        "effect": Captions(
            shows=(
                f"Difference in {result.quantity} at each engine speed ({n}). The shaded band "
                f"holds over the whole curve at once, at {level}; dotted lines mark the "
                f"±{result.margin_pct:g}% margin; the strip says what is shown where."
            ),
            finding=sentences.alternative(result),
        ),
        "pulls": Captions(
            shows=(
                f"Every accepted pull against the mean of the baseline ({n}). Dashed: baseline; "
                "solid: candidate. Lines of one kind that scatter as far as the two kinds lie "
                "apart are noise, not a difference."
            ),
            finding=(
                f"Each pull as a difference from the baseline mean; on average the candidate "
                f"lies {mean} from it, interval {bounds}, with pulls scattering by a standard "
                f"deviation of {spread}."
            ),
        ),
        "regions": Captions(
            shows=f"Mean difference of the whole range and of its parts, with {level} intervals.",
            finding=" ".join(
                f"{row.speeds}: {row.effect}, interval {row.interval}, {row.words}."
                for row in (whole_row(result), *region_rows(result))
            ),
        ),
        "power": Captions(
            shows=f"Power of both setups ({n}). Thin lines are pulls, thick lines are means.",
            finding=_highest(result, "kw", "Power", "kW"),
        ),
        "torque": Captions(
            shows=f"Torque of both setups ({n}). Thin lines are pulls, thick lines are means.",
            finding=_highest(result, "nm", "Torque", "N·m"),
        ),
        "order": Captions(
            shows=(
                "Mean power of each pull in the order run. A slope along the order, not the "
                "setups, would show a cell that drifts."
            ),
            finding=(
                f"Mean power of {n} pulls in run order, {excluded}; the table below lists them."
            ),
        ),
        "influence": Captions(
            shows=f"Mean difference with every pull, and without each one; {level} intervals.",
            finding=" ".join(
                [f"With every pull {mean}, interval {bounds}.", sentences.firmness(result)]
            ),
        ),
        "noise": Captions(
            shows=(
                "How far single pulls and sessions scatter (one standard deviation either way; of "
                "drift the most that past sessions do not exclude), "
                f"and the difference found with its {level} interval, on one scale."
            ),
            finding=(
                f"Difference found {mean}, interval {bounds}, against a standard deviation of "
                f"{spread} from pull to pull and {between_sessions} from session to session."
            ),
        ),
    }


def _highest(result: Comparison, suffix: str, name: str, unit: str) -> str:
    """Return where each mean curve is highest, as a description of the picture, not a finding."""
    parts = [
        f"{role} mean highest at {decimal(peak[f'{role}_{suffix}'], 1)} {unit} near "
        f"{speed(peak['rpm'])} rpm"
        for role in ("baseline", "candidate")
        for peak in [result.curve.sort(f"{role}_{suffix}")[-1].row(0, named=True)]
    ]
    return f"{name} over engine speed: {'; '.join(parts)}."
