"""A running watch as a page that is read from across the room and renews itself."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from markupsafe import Markup

from dynostats.analysis.planning.day import Change
from dynostats.analysis.planning.progress import coming_looks
from dynostats.analysis.planning.state import StudyState
from dynostats.analysis.planning.wording import say_declared, say_look
from dynostats.charts.theme import DARK_PALETTE, PALETTE
from dynostats.errors import InputError
from dynostats.report.numbers import interval, percent
from dynostats.report.plain_page import PAGES

# The page asks for itself again this often, seconds; older than so many of them it says so.
REFRESH_S = 3
STALE_S = 30

# Written into the page: a watch that has died must not go on looking alive.
_SCRIPT = (
    "(function(){var at=Number(document.documentElement.dataset.written);"
    f"function old(){{return Date.now()/1000-at>{STALE_S};}}"
    "function show(){document.getElementById('stale').hidden=!old();}"
    "show();setInterval(show,1000);})();"
)

_TONES = {
    "stop: gain": ("gain", "▲"),
    "stop: loss": ("loss", "▼"),
    "stop: mixed": ("unknown", "±"),
    "stop: no meaningful change": ("same", "="),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileNote:
    """A file in the folder that is no pull yet.

    Args:
        file: Its name.
        state: "waiting", "stuck" or "refused".
        why: What is waited for, or what is wrong.
    """

    file: str
    state: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PullLine:
    """One pull as the page shows it."""

    pull: str
    file: str
    setup: str
    word: str
    tone: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchView:
    """Everything the page prints."""

    title: str
    question: str
    tone: str
    symbol: str
    decision: str
    advice: str
    last: PullLine | None
    effect: str
    effect_note: str
    next_setup: str
    next_note: str
    changes: tuple[tuple[str, str, str], ...]
    files: tuple[FileNote, ...]
    pulls: tuple[PullLine, ...]
    looks: tuple[str, ...]
    departures: tuple[str, ...]
    doubts: tuple[str, ...]
    dangers: tuple[str, ...]
    written: str


def render_watch(state: StudyState, files: tuple[FileNote, ...], *, written: datetime) -> str:
    """Return the page.

    Args:
        state: Where the study stands.
        files: Files that are no pulls yet.
        written: The time now, with its zone.
    """
    digest = base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode()
    return PAGES.get_template("watch.html.j2").render(
        view=build_watch(state, files, written=written),
        refresh_s=REFRESH_S,
        stale_s=STALE_S,
        seconds=int(written.timestamp()),
        # Made by this package; no text of a user is in it.
        script=Markup(_SCRIPT),  # noqa: S704
        policy=f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "base-uri 'none'; form-action 'none'",
        light=PALETTE,
        dark=DARK_PALETTE,
    )


def write_watch(
    state: StudyState, files: tuple[FileNote, ...], path: Path, *, written: datetime
) -> None:
    """Write the page so that whoever reads it sees the old one or the new one, never a part.

    Raises:
        InputError: The file cannot be written.
    """
    draft = path.with_name(f".{path.name}.part")
    try:
        draft.write_text(render_watch(state, files, written=written), encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise InputError(
            f"the page cannot be written ({error.strerror})",
            where=str(path),
            mend="Name a place you may write to, with --page.",
        ) from error


def build_watch(state: StudyState, files: tuple[FileNote, ...], *, written: datetime) -> WatchView:
    """Turn a state into what the page prints."""
    declared = state.declared
    tone, symbol = _TONES.get(state.decision, ("unknown", "?") if state.stopped else ("go", "▶"))
    effect, note = _effect(state)
    setup, to_do = _next(state)
    lines = tuple(_pull_lines(state))
    return WatchView(
        title=f"{declared.candidate} against {declared.baseline} on {declared.engine}",
        question=say_declared(declared),
        tone=tone,
        symbol=symbol,
        decision=state.decision if state.stopped else "go on",
        advice=state.advice(),
        last=_last(state, lines),
        effect=effect,
        effect_note=note,
        next_setup=setup,
        next_note=to_do,
        changes=tuple(_change(one) for one in state.changes),
        files=files,
        pulls=lines,
        looks=tuple(f"Look {look.number}, {say_look(look)}." for look in state.looks),
        departures=state.departures,
        doubts=tuple(
            f"{line.pull} ({line.setup}): {line.why}" for line in lines if line.tone == "unknown"
        ),
        dangers=tuple(
            f"{finding.pull}: {finding.message}" for finding in state.judged if finding.danger
        ),
        written=f"{written:%H:%M:%S}",
    )


def _effect(state: StudyState) -> tuple[str, str]:
    """Return the effect so far with its band, and what the band is good for."""
    if state.finding is None:
        return "no effect yet", state.lacking
    overall = state.finding.overall
    effect = percent(overall.effect_pct, 2, signed=True)
    look = state.looks[-1] if state.looks else None
    if look is not None and look.low_pct is not None and look.high_pct is not None:
        bounds = interval(look.low_pct, look.high_pct, 2)
        since = "" if look.pairs == state.progress.pairs else f" (look after {look.pairs} pairs)"
        return effect, f"{bounds}, all looks taken into account{since}"
    if overall.low_pct is None or overall.high_pct is None:
        return effect, f"no interval yet: {state.lacking}"
    bounds = interval(overall.low_pct, overall.high_pct, 2)
    return effect, f"{bounds} if this were the only look: not for stopping"


def _next(state: StudyState) -> tuple[str, str]:
    upcoming, progress = state.progress.next, state.progress
    if state.stopped:
        return "cool down", "the study has ended; further pulls are a departure"
    if upcoming is None:
        return "cool down", "all planned pulls are in"
    done = progress.baseline + progress.candidate
    planned = 2 * state.declared.pulls_per_setup
    looks = coming_looks(progress.pairs, state.declared)
    when = f"; next look after {looks[0]} pairs" if looks else ""
    return (
        upcoming.setup,
        f"pull {done + 1} of {planned}, session {upcoming.session}, log {upcoming.file}{when}",
    )


def _pull_lines(state: StudyState) -> list[PullLine]:
    doubts: dict[str, list[str]] = {}
    for finding in state.judged:
        if finding.severity == "doubtful":
            doubts.setdefault(finding.pull, []).append(finding.message)
    lines: list[PullLine] = []
    for row in state.progress.pulls.iter_rows(named=True):
        name, excluded = str(row["pull"]), row["state"] != "accepted"
        why = str(row["why"] or "no reason given") if excluded else " ".join(doubts.get(name, []))
        word = "not accepted" if excluded else "accepted, look at it" if why else "accepted"
        tone = "loss" if excluded else "unknown" if why else "gain"
        lines.append(
            PullLine(
                pull=name,
                file=str(row["file"]),
                setup=str(row["setup"]),
                word=word,
                tone=tone,
                why=why,
            )
        )
    return lines


def _last(state: StudyState, lines: tuple[PullLine, ...]) -> PullLine | None:
    """Return the pull that was stored last."""
    if not lines:
        return None
    newest = state.progress.pulls.sort("stored_at", maintain_order=True)["pull"][-1]
    return next(line for line in lines if line.pull == newest)


def _change(change: Change) -> tuple[str, str, str]:
    name = change.name.replace("_", " ")
    if change.start is None:
        return f"{name}, same setup", percent(change.now, 2, signed=True), "since its first pull"
    digits = 2 if change.unit == "kPa" else 0
    moved = change.now - change.start
    return (
        name,
        f"{change.now:.{digits}f} {change.unit}",
        f"{moved:+.{digits}f}".replace("-", "\N{MINUS SIGN}"),
    )
