"""Breaks in a cell's history, and what pulls on both sides of one mean for an answer.

A break is a logged calibration, or a change that was found in a reference setup. Inside a session
it cancels; between sessions it is part of what looks like a difference, or like noise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from dynostats.analysis.monitor.result import CellEvent, Monitoring


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """A moment, or a time between two sessions, at which the cell changed.

    Args:
        before: Pulls started up to then are before it.
        after: Pulls started from then on are after it.
        words: What it is, in words.
    """

    before: datetime
    after: datetime
    words: str

    def split(self, pulls: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Return the pulls before and after it; those in between, or undated, are in neither."""
        at = self.before == self.after
        earlier = pl.col("started") < self.before if at else pl.col("started") <= self.before
        return pulls.filter(earlier), pulls.filter(pl.col("started") >= self.after)


def read_breaks(found: Monitoring | None, events: Sequence[CellEvent]) -> tuple[Break, ...]:
    """Return the breaks of a dyno by date.

    Args:
        found: Its monitoring; None where there was nothing to monitor.
        events: What was logged of it.
    """
    breaks = [
        Break(
            before=event.happened_at,
            after=event.happened_at,
            words=f"the calibration {event.event} of {event.happened_at:%Y-%m-%d} ({event.what})",
        )
        for event in events
        if event.kind == "calibration"
    ]
    for change in () if found is None else found.changes:
        if change.kind != "found" or change.channel != "torque":
            continue
        if change.not_before is None or change.not_after is None:
            continue
        breaks.append(
            Break(
                before=change.not_before,
                after=change.not_after,
                words=f"the change of the cell found between {change.not_before:%Y-%m-%d} and "
                f"{change.not_after:%Y-%m-%d} (torque {change.step:+.1f}%)",
            )
        )
    return tuple(sorted(breaks, key=lambda one: one.after))


def mark_eras(pulls: pl.DataFrame, breaks: Sequence[Break]) -> pl.DataFrame:
    """Return pulls with the stretch between breaks that each was made in.

    A session with a break inside it counts as two: its parts differ in more than the setups.

    Args:
        pulls: One row a pull of one dyno: engine, session, started.
        breaks: Of that dyno.

    Returns:
        The pulls, with an `era`, text: the same for pulls with no break between them. Pulls
        without a date form an era of their own. Without breaks the pulls as they are.
    """
    if not breaks:
        return pulls
    side = [
        pl.when(pl.col("started") >= one.after)
        .then(2)
        .when((pl.col("started") > one.before) & (one.before < one.after))
        .then(1)
        .otherwise(0)
        for one in breaks
    ]
    era = pl.concat_str(side, separator="-")
    marked = pulls.with_columns(
        era=pl.when(pl.col("started").is_null()).then(pl.lit("undated")).otherwise(era)
    )
    part = pl.col("era").rank("dense").over("engine", "session")
    return marked.with_columns(
        session=pl.when(part == 1)
        .then("session")
        .otherwise(pl.format("{} (part {})", "session", part))
    )


def warn_compared(breaks: Sequence[Break], table: pl.DataFrame) -> Iterator[str]:
    """Yield what breaks between the pulls of a comparison mean for it.

    Args:
        breaks: Of the dyno.
        table: One row a pull of the study: role, state, session, started.
    """
    used = table.filter(pl.col("role").is_in(["baseline", "candidate"]), state="accepted")
    for one in breaks:
        before, after = one.split(used)
        roles = set(before["role"].to_list()), set(after["role"].to_list())
        if not all(roles):
            continue
        if len(roles[0]) == len(roles[1]) == 1 and roles[0] != roles[1]:
            first = next(iter(roles[0]))
            yield (
                f"The {first} was pulled before {one.words} and the other setup after it: what "
                "changed in the cell then is part of this difference. Pull both setups again, in "
                "one session."
            )
        else:
            yield (
                f"Pulls of this study lie on both sides of {one.words}. Within a session it "
                "cancels; where the setups did not share the sessions it is in the difference."
            )


def warn_history(breaks: Sequence[Break], pulls: pl.DataFrame) -> Iterator[str]:
    """Yield how much of the history behind a noise estimate is older than the last break.

    Args:
        breaks: Of the dyno.
        pulls: One row an accepted pull that the noise was learned from: started.
    """
    spanning = [one for one in breaks if all(part.height for part in one.split(pulls))]
    if not spanning:
        return
    last = spanning[-1]
    older = last.split(pulls)[0].height
    yield (
        f"{older} of the {pulls.height} pulls that the noise was learned from are older than "
        f"{last.words}. How far pulls of one session differ is not touched by it; how far days "
        "differ is learned on each side of it apart."
    )
