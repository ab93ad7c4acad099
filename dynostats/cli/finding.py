"""A comparison as a small, complete finding in the terminal."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.api.results import Family
from dynostats.cli.output import say, shown
from dynostats.cli.sketch import ASCII, UNICODE, Ink, sketch_effect

_WORDS: dict[Verdict, tuple[str, str]] = {
    "gain": ("GAIN", "bold green"),
    "loss": ("LOSS", "bold red"),
    "no_meaningful_change": ("NO MEANINGFUL CHANGE", "bold"),
    "mixed": ("MIXED", "bold magenta"),
    "undecided": ("UNDECIDED", "bold yellow"),
}
_INDENT = (0, 0, 0, 2)


def print_finding(result: Comparison, console: Console) -> None:
    """Print the verdict, its number and interval, where it holds, and what to do next."""
    from rich.padding import Padding

    word, style = _WORDS[result.verdict]
    console.print(Text.assemble((word, style), f"  {_question(result)}"))
    console.print()
    for line in (*_numbers(result), say(result.why)):
        console.print(Padding(Text(line), _INDENT, expand=False))
    console.print()
    for line in _sketch(result, console):
        console.print(Text(line, no_wrap=True, overflow="crop"))
    console.print()
    console.print(Padding(_region_table(result), _INDENT, expand=False))
    for line in _peaks(result):
        console.print(Padding(Text(line), _INDENT, expand=False))
    console.print()
    for heading, line in _declared(result):
        console.print(Text.assemble((heading, "bold"), line))
    for warning in result.warnings:
        console.print(Text.assemble(("Warning: ", "yellow"), say(warning)))
    if result.next:
        console.print(Text.assemble(("Next: ", "bold"), say(result.next)))


def print_family(family: Family, console: Console) -> None:
    """Print several candidates against one baseline, a line each."""
    first = family.findings[0]
    console.print(
        f"{len(family.findings)} candidates against {first.baseline} on {first.engine}: "
        f"{_question(first).rsplit(': ', 1)[1]}; all bounds hold together at {1 - first.alpha:.0%}"
    )
    console.print()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("candidate", "verdict", "effect", "at least", "at most", "pulls"):
        table.add_column(column, justify="left" if column in {"candidate", "verdict"} else "right")
    for one in family.findings:
        word, style = _WORDS[one.verdict]
        overall = one.overall
        table.add_row(
            Text(one.candidate),
            Text(word.lower(), style=style),
            *(format_pct(v) for v in (overall.effect_pct, overall.low_pct, overall.high_pct)),
            f"{one.pulls.baseline} + {one.pulls.candidate}",
        )
    console.print(table)
    console.print()
    for text in dict.fromkeys(text for one in family.findings for text in one.warnings):
        console.print(Text.assemble(("Warning: ", "yellow"), say(text)))


def format_pct(value: float | None) -> str:
    """Return a percentage with its sign, or a question mark when it is not known."""
    return "?" if value is None else f"{round(value, 2) + 0.0:+.2f}%"  # never minus nothing


def format_sd(value: float | None) -> str:
    """Return a size in percent, or a question mark when it is not known."""
    return "?" if value is None else f"{value:.2f}%"


def _question(result: Comparison) -> str:
    low, high = result.band
    return (
        f"{result.candidate} against {result.baseline} on {result.engine}: "
        f"{result.quantity}, {low:.0f} to {high:.0f} rpm"
    )


def _numbers(result: Comparison) -> Iterator[str]:
    overall, pulls, noise = result.overall, result.pulls, result.noise
    power = shown("kW")
    size = f"{power.of(overall.effect_kw):+z.1f} {power.name}"
    yield (
        f"{format_pct(overall.effect_pct)}{_interval(overall.low_pct, overall.high_pct)}"
        f", {size}: mean over the band, from {pulls.baseline} + "
        f"{pulls.candidate} pulls" + (f" ({pulls.excluded} excluded)" if pulls.excluded else "")
    )
    if overall.probability_gain_over_margin is not None:
        yield (
            f"Chance that the gain is more than {result.margin_pct:g}%: "
            f"{_chance(overall.probability_gain_over_margin)}"
        )
    if noise.pull_sd_pct is not None:
        sessions = (
            "between sessions unknown"
            if noise.session_sd_pct is None
            else f"{noise.session_sd_pct:.2f}% from session to session"
        )
        yield f"Noise: {noise.pull_sd_pct:.2f}% from pull to pull, {sessions}; {noise.source}"
    yield from _correction(result)


def _declared(result: Comparison) -> Iterator[tuple[str, str]]:
    """Say what was declared before the pulls, and every departure from it."""
    if result.declared is None:
        return
    from dynostats.analysis.planning.wording import say_declared, say_departures

    yield "", say_declared(result.declared.declaration)
    kind = "Departure: " if result.declared.departures else ""
    for line in say_departures(result.declared):
        yield kind, line


def _correction(result: Comparison) -> Iterator[str]:
    """Say which ambient correction is in force, and whether the verdict hangs on it."""
    others = [one for one in result.corrections if one.verdict and one.name != result.correction]
    if not others and result.correction == "none":
        return
    same = [one.name for one in others if not one.differs]
    told = f"; the same verdict under {', '.join(same)}" if same else ""
    changed = [one.name for one in others if one.differs]
    told += f"; another under {', '.join(changed)} (see the warning)" if changed else ""
    yield f"Ambient correction: {result.correction}{told}"


def _peaks(result: Comparison) -> Iterator[str]:
    """Say how high and where each setup's curve stands highest."""
    unit = shown({"power": "kW", "torque": "N.m"}[result.quantity])
    for peak in result.peaks:
        if peak.quantity == result.quantity:
            edge = ", at the end of the band" if peak.at_edge else ""
            value, low, high = (unit.of(one) for one in (peak.value, peak.low, peak.high))
            yield (
                f"peak {peak.quantity} of {peak.setup}: {value:.1f} {unit.name} "
                f"({low:.1f} to {high:.1f}) at {peak.rpm:.0f} rpm{edge}"
            )


def _interval(low: float | None, high: float | None) -> str:
    return (
        " (interval unknown)"
        if low is None or high is None
        else f" ({format_pct(low)} to {format_pct(high)})"
    )


def _chance(probability: float) -> str:
    """Return a probability that never claims certainty."""
    if probability > 0.999:
        return "more than 99.9%"
    if probability < 0.001:
        return "less than 0.1%"
    return f"{probability:.1%}"


def _sketch(result: Comparison, console: Console) -> Iterator[str]:
    ink = ink_for(console)
    bounds = f"{ink.band} all speeds together at {1 - result.alpha:.0%}"
    known = result.curve["low_pct"].is_not_null().any()
    yield f"  effect in percent of the baseline: {ink.estimate} estimate" + (
        f", {bounds}" if known else ""
    )
    yield from sketch_effect(
        result.curve["rpm"].to_list(),
        result.curve["effect_pct"].to_list(),
        result.curve["low_pct"].to_list(),
        result.curve["high_pct"].to_list(),
        ink=ink,
        columns=max(20, min(60, console.width - 14)),
    )


def ink_for(console: Console) -> Ink:
    """Return the characters that the terminal can show."""
    return UNICODE if console.encoding.startswith("utf") else ASCII


def _region_table(result: Comparison) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("rpm", "verdict", "effect", "at least", "at most"):
        table.add_column(column, justify="left" if column in {"rpm", "verdict"} else "right")
    for region in result.regions:
        word, style = _WORDS[region.verdict]
        table.add_row(
            f"{region.from_rpm:.0f} to {region.to_rpm:.0f}",
            Text(word.lower(), style=style),
            *(format_pct(v) for v in (region.effect_pct, region.low_pct, region.high_pct)),
        )
    return table
