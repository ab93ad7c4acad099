"""Acceptance of stored pulls: gathering what the checks need, and what a comparison says of it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace

import polars as pl

from dynostats.analysis.acceptance import (
    CHANNELS,
    Acceptance,
    PullFinding,
    judge_pulls,
    merge,
)
from dynostats.analysis.comparison import Comparison
from dynostats.curves.acceptance import smoothed_over, split_warning
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store

# So many pulls of an engine are judged at a time, in the order of storing: memory and time bound
# them, and what is years away says little of what is usual now.
MOST_TOGETHER = 300
# So many pulls of an engine, the nearest, stand beside those that a question is about.
MOST_BESIDE = 40
# Curves whose widths of smoothing differ by less than this factor are smoothed alike.
UNLIKE_SMOOTHING = 1.2


def judge_stored(
    store: Store, chosen: Collection[str] | None = None, *, among: pl.DataFrame | None = None
) -> Acceptance:
    """Judge stored pulls against what was stored with them.

    Args:
        store: The open warehouse.
        chosen: Names of pulls, which must exist; None for all.
        among: Stored pulls to judge them by, themselves among them; None for all.
    """
    pulls = store.pulls() if among is None else among
    wanted = set(pulls["pull"] if chosen is None else chosen)
    torque = store.curves(pulls.filter(state="accepted")["pull"].to_list())
    parts: list[Acceptance] = []
    for block in _blocks(pulls) if chosen is None else _neighbourhoods(pulls, wanted):
        own = wanted.intersection(block["pull"])
        if own:
            names = block["pull"].to_list()
            part = judge_pulls(
                block,
                store.curves(names, channels=CHANNELS),
                scope=pulls,
                torque=torque,
                found=store.findings(names),
                chosen=own,
            )
            parts.append(part)
    return merge(parts, pulls["pull"])


def _blocks(pulls: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Yield the pulls engine by engine, at most so many at a time, sessions whole."""
    for _, engine in pulls.group_by("engine", maintain_order=True):
        block: list[pl.DataFrame] = []
        for _, session in engine.group_by("dyno", "session", maintain_order=True):
            if block and sum(part.height for part in block) + session.height > MOST_TOGETHER:
                yield pl.concat(block)
                block = []
            block.append(session)
        yield pl.concat(block)


def _neighbourhoods(pulls: pl.DataFrame, wanted: Collection[str]) -> Iterator[pl.DataFrame]:
    """Yield for each engine the sessions of the wanted pulls, and the nearest others."""
    for _, engine in pulls.group_by("engine", maintain_order=True):
        sessions = [own for _, own in engine.group_by("dyno", "session", maintain_order=True)]
        asked = [place for place, own in enumerate(sessions) if own["pull"].is_in(wanted).any()]
        if not asked:
            continue
        by_distance = sorted(
            range(len(sessions)), key=lambda place: min(abs(place - other) for other in asked)
        )
        room = MOST_BESIDE + sum(sessions[place].height for place in asked)
        kept: list[int] = []
        for place in by_distance:
            room -= sessions[place].height
            if room < 0:
                break
            kept.append(place)
        yield pl.concat([sessions[place] for place in sorted(kept)])


def add_doubts(
    found: Sequence[Comparison],
    judged: Acceptance,
    *,
    ask_without: Callable[[Collection[str]], Sequence[Comparison]],
) -> tuple[Comparison, ...]:
    """Return comparisons with what their readers must know of the pulls they rest on.

    Args:
        found: The comparisons of one family.
        judged: The judgement of their pulls.
        ask_without: Answers the same questions without some pulls.
    """
    doubtful = doubtful_of(judged, used_pulls(found))
    without = _without(found, doubtful, ask_without)
    return tuple(
        replace(
            one,
            warnings=(
                *_dangers(judged, _used(one)),
                *_doubts(one, doubtful, again),
                *_unlike_smoothing(judged, _used(one)),
                *one.warnings,
            ),
            method=one.method | _lags(judged, _used(one)),
        )
        for one, again in zip(found, without, strict=True)
    )


def used_pulls(found: Sequence[Comparison]) -> set[str]:
    """Return the accepted pulls of both setups that comparisons rest on."""
    return {name for one in found for name in _used(one)}


def _used(found: Comparison) -> set[str]:
    compared = pl.col("role").is_in(["baseline", "candidate"]) & (pl.col("state") == "accepted")
    return set(found.pull_table.filter(compared)["pull"])


def doubtful_of(judged: Acceptance, used: set[str]) -> dict[str, list[PullFinding]]:
    """Return what is said against the pulls whose torque is compared.

    A pressure of unknown reference was set aside when it was read: torque stands without it, and
    what needs it (a correction, an attribution) says so itself. A copy is left out of the
    comparison, which says so too.
    """
    doubtful: dict[str, list[PullFinding]] = {}
    for finding in judged.findings:
        if finding.check in {"pressure_reference", "copy"}:
            continue
        if finding.severity != "note" and finding.pull in used:
            doubtful.setdefault(finding.pull, []).append(finding)
    return doubtful


def _without(
    found: Sequence[Comparison],
    doubtful: Collection[str],
    ask_without: Callable[[Collection[str]], Sequence[Comparison]],
) -> list[Comparison | AnalysisError | None]:
    """Answer again without the doubtful pulls; the reason where that cannot be answered."""
    if not doubtful:
        return [None] * len(found)
    try:
        return list(ask_without(doubtful))
    except AnalysisError as error:
        return [error] * len(found)


def _dangers(judged: Acceptance, used: set[str]) -> Iterator[str]:
    """Yield each danger once, with the pulls it was seen in and what was seen in the first."""
    seen: dict[str, dict[str, list[str]]] = {}
    for finding in judged.dangers():
        if finding.pull in used:
            warning, found = split_warning(finding.message)
            seen.setdefault(warning, {}).setdefault(finding.pull, []).append(found)
    for warning, by_pull in seen.items():
        first, found = next(iter(by_pull.items()))
        of = f"In {first}: " if len(by_pull) > 1 else ""
        yield f"{', '.join(by_pull)}: {warning} {of}{' '.join(found)}"


def _lags(judged: Acceptance, used: set[str]) -> dict[str, object]:
    """Return by how much slow sensors of the compared pulls were moved, if any were."""
    said: dict[str, list[str]] = {}
    for finding in judged.findings:
        if finding.check == "lag" and finding.pull in used:
            said.setdefault(finding.message, []).append(finding.pull)
    texts = [f"{', '.join(names)}: {message}" for message, names in said.items()]
    return {"sensor_lag": texts} if texts else {}


def _unlike_smoothing(judged: Acceptance, used: set[str]) -> Iterator[str]:
    """Say when the curves of a comparison are not all smoothed over the same engine speeds."""
    widths = dict.fromkeys(used, 0.0)
    for one in judged.findings:
        if one.pull in used:
            widths[one.pull] = max(widths[one.pull], smoothed_over(one.check, one.message))
    least, most = min(widths.values(), default=0.0), max(widths.values(), default=0.0)
    if most > UNLIKE_SMOOTHING * max(least, smoothed_over("", "")):
        wide = sorted(name for name, width in widths.items() if width * UNLIKE_SMOOTHING > most)
        yield (
            f"{', '.join(wide)}: logged so sparsely that the curve is smoothed over ±{most:.0f} "
            "rpm, more than other pulls of this comparison. Where the curve bends sharply, part "
            "of a difference may be the smoothing alone."
        )


def _doubts(
    found: Comparison,
    doubtful: dict[str, list[PullFinding]],
    again: Comparison | AnalysisError | None,
) -> Iterator[str]:
    own = {name: findings for name, findings in doubtful.items() if name in _used(found)}
    if not own or again is None:
        return
    listed = "; ".join(
        f"{name}, {', '.join(dict.fromkeys(finding.check for finding in findings))}"
        for name, findings in own.items()
    )
    subject = "One pull" if len(own) == 1 else f"{len(own)} pulls"
    them = "it" if len(own) == 1 else "them"
    yield (
        f"{subject} of this study {'is' if len(own) == 1 else 'are'} doubtful ({listed}; "
        f"`dynostats check {' '.join(own)}` says why). {_say_without(found, again, them)}"
    )


def _say_without(found: Comparison, again: Comparison | AnalysisError, them: str) -> str:
    if isinstance(again, AnalysisError):
        return f"Without {them} the question cannot be answered: {again.what}."
    overall = again.overall
    bounds = (
        ""
        if overall.low_pct is None or overall.high_pct is None
        else f", {overall.low_pct:+.2f} to {overall.high_pct:+.2f}%"
    )
    word = again.verdict.replace("_", " ")
    course = "is still" if again.verdict == found.verdict else "would be"
    return f"Without {them} the verdict {course} {word} ({overall.effect_pct:+.2f}%{bounds})."
