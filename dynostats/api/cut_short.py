"""Pulls cut short, left out as soon as they are stored. Light: every ingest loads it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dynostats.analysis.acceptance.coverage import find_cut_short
from dynostats.warehouse import Store


def exclude_cut_short(store: Store, stored: Sequence[str], *, who: str) -> dict[str, str]:
    """Exclude pulls of the sessions just added to that cover much less than the rest of them.

    Only pulls whose state nobody has ever decided: a person's word stands.

    Args:
        store: The warehouse, open for writing.
        stored: The pulls just stored.
        who: Who excludes them, for the history.

    Returns:
        Why, by pull.
    """
    pulls = store.pulls()
    key = ["engine", "dyno", "session"]
    touched = pulls.filter(pl.col("pull").is_in(stored)).select(key).unique()
    sessions = pulls.join(touched, on=key, how="semi", nulls_equal=True)
    history = store.amendments()
    decided = set(history.filter(field="state")["pull"])
    excluded: dict[str, str] = {}
    accepted = set(sessions.filter(state="accepted")["pull"]) - decided
    for finding in find_cut_short(sessions):
        if finding.severity == "void" and finding.pull in accepted:
            excluded[finding.pull] = f"void: {finding.message.rstrip('.')}"
            store.exclude(finding.pull, why=excluded[finding.pull], who=who)
    return excluded
