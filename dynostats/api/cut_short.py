"""Pulls cut short, left out as soon as they are stored. Light: every ingest loads it."""

from __future__ import annotations

import polars as pl

from dynostats.analysis.acceptance.coverage import find_cut_short
from dynostats.warehouse import Store


def exclude_cut_short(store: Store, *, who: str) -> dict[str, str]:
    """Exclude pulls of the sessions last added to that cover much less than the rest of them.

    Last means since this was done before: an ingest that was killed between storing its pulls and
    judging them leaves that to the next. Only pulls whose state nobody has ever decided are left
    out: a person's word stands.

    Args:
        store: The warehouse, open for writing.
        who: Who excludes them, for the history.

    Returns:
        Why, by pull.
    """
    new = store.unjudged()
    if not new:
        return {}
    pulls = store.pulls()
    key = ["engine", "dyno", "session"]
    touched = pulls.filter(pl.col("pull").is_in(new)).select(key).unique()
    sessions = pulls.join(touched, on=key, how="semi", nulls_equal=True)
    decided = set(store.amendments().filter(field="state")["pull"])
    open_to_judge = set(sessions.filter(state="accepted")["pull"]) - decided
    excluded = {
        finding.pull: f"void: {finding.message.rstrip('.')}"
        for finding in find_cut_short(sessions)
        if finding.severity == "void" and finding.pull in open_to_judge
    }
    store.note_judged(new[-1], excluded=excluded, who=who)
    return excluded
